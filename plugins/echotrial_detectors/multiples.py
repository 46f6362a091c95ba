"""Which candidates are the equally spaced echoes of one wall, and how far apart they are."""

from dataclasses import dataclass
from typing import NamedTuple

import numba
import numpy as np
from numpy.typing import NDArray

Reals = NDArray[np.float64]

#: First echoes and next echoes that are tried, in order of time: so many of those that have at
#: least this share of the strongest candidate's height.
FIRSTS, NEXTS = 4, 6
FIRST_SHARE, NEXT_SHARE = 0.3, 0.15
#: Multiples after which no more are asked for.
LAST_ORDER = 64
#: A multiple that should stand at this many times the level, and does not, speaks against a series.
MISSED_FROM = 2.0
#: Spacings nearer to each other than this share are one and the same.
SAME_SPACING = 0.08
#: A series that explains this share is not begun anew from one of its later echoes.
NEARLY_ALL = 0.9
#: An echo may lie at most this share of the spacing off its place, whatever the slack.
SLACK_SHARE = 0.25


class Law(NamedTuple):
    """What a series of back-wall echoes has to obey; times in samples.

    Attributes
    ----------
    spacing_min, spacing_max
        Range of the spacing.
    slack
        How far an echo may lie from its place.
    origin_slack, origin_share
        The first echo of a series lies a whole number of spacings after the origin, within the
        larger of the first and the second times the spacing.
    from_origin
        The spacing is the first echo's distance from the origin (modes 1 and 2).
    ratio
        Modulus of an echo over the one before, where it is known and cannot be measured; else 0.
    sign, alternation
        As in `plan.Plan`.
    most
        Echoes used at most.
    """

    spacing_min: float
    spacing_max: float
    slack: float
    origin_slack: float
    origin_share: float
    from_origin: bool
    ratio: float
    sign: int
    alternation: int
    most: int


@dataclass(eq=False)
class Series:
    """The best series of each record, (n,) each; times in samples, `share` 0 where there is none.

    `share` is the part of the candidates' energy that the series explains, less what it should
    have and has not. `first`, `last` are the places of its first and last echo on the fitted line,
    `first_order` and `last_order` their numbers counted from the origin, `misfit` the root mean
    square of their distance from the line. `attested` is the share without
    the echo that it starts from, which attests no spacing (modes 1 and 2: with it), `rival` that of
    the best series of another spacing, `between` the share of candidates half-way between its
    echoes: those that a series of half the spacing would have.
    """

    share: NDArray[np.float64]
    spacing: NDArray[np.float64]
    first: NDArray[np.float64]
    last: NDArray[np.float64]
    first_order: NDArray[np.float64]
    last_order: NDArray[np.float64]
    misfit: NDArray[np.float64]
    attested: NDArray[np.float64]
    rival: NDArray[np.float64]
    between: NDArray[np.float64]


@numba.njit(cache=True, nogil=True, error_model="numpy")
def best_series(
    place: Reals,
    height: Reals,
    n: int,
    origin: float,
    counted_from: float,
    gate_stop: float,
    level: float,
    law: Law,
    trial: Reals,
    best: Reals,
) -> None:
    """Find the equally spaced series that explains a record's candidates best.

    Tries the spacing from each likely first echo to each likely next one.

    Parameters
    ----------
    place, height, n
        The candidates, echoes that may belong to it.
    origin
        Sample of the interface echo, or where the clock's zero offset lies.
    counted_from, gate_stop
        Samples between which candidates count and echoes of a series must not be missing;
        before, a candidate may be a remnant of the interface echo.
    level
        What an echo had to exceed to be a candidate.
    law
        What it has to obey.
    trial
        Room to work in, (9,).
    best
        Is filled in, (10,): the values of `Series` in their order.
    """
    best[:] = np.nan
    best[0] = best[7] = best[8] = best[9] = 0.0
    energy, highest = 0.0, 0.0
    for i in range(n):
        if place[i] >= counted_from:
            energy += height[i] * height[i]
        if abs(height[i]) > highest:
            highest = abs(height[i])
    if energy == 0.0:
        return
    firsts, left = 0, energy
    for i in range(n):
        own = height[i] * height[i] if place[i] >= counted_from else 0.0
        left -= own  # energy of what comes behind it
        if abs(height[i]) < FIRST_SHARE * highest:
            continue
        firsts += 1
        if firsts > FIRSTS:
            break
        attests_none = 0.0 if law.from_origin else own
        nexts, after, rest = 0, place[i] - origin, left
        for j in range(i + 1, i + 2 if law.from_origin else n):
            spacing, fall = after, law.ratio
            if not law.from_origin:
                # neither the best one nor a rival if it explained all that comes from here on
                if rest <= best[8] * energy and own + rest <= best[0] * energy:
                    break
                if place[j] >= counted_from:
                    rest -= height[j] * height[j]
                if abs(height[j]) < NEXT_SHARE * highest:
                    continue
                spacing = place[j] - place[i]
            nexts += 1
            if nexts > NEXTS:
                break
            if not law.spacing_min <= spacing <= law.spacing_max:
                continue
            order = int(np.rint(after / spacing))
            slack = law.origin_share * spacing
            slack = slack if slack > law.origin_slack else law.origin_slack
            if order < 1 or abs(after - order * spacing) > slack:
                continue
            if not law.from_origin and _is_on(best, place[i], spacing, law.slack):
                continue
            if not law.from_origin:
                fall = min(abs(height[j] / height[i]), 1.0)
            explained = _follow(
                place, height, n, i, order, spacing, fall, counted_from, gate_stop,
                level, law, trial,
            )  # fmt: skip
            trial[0], trial[7] = explained / energy, max(explained - attests_none, 0.0) / energy
            _keep_if_best(trial, best)
    if best[0] > 0 and not law.from_origin:
        best[9] = _between(place, height, n, counted_from, best, law) / energy


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _is_on(best: Reals, place: float, spacing: float, slack: float) -> bool:
    """Whether the best series so far, which explains nearly all, begins before and holds this."""
    if (
        best[0] < NEARLY_ALL
        or abs(spacing - best[1]) > 0.25 * slack
        or place < best[2] + best[1] / 2
    ):
        return False
    turns = (place - best[2]) / best[1]
    return bool(abs(turns - np.rint(turns)) * best[1] <= 0.25 * slack)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _between(
    place: Reals, height: Reals, n: int, counted_from: float, best: Reals, law: Law
) -> float:
    """Energy of the candidates half-way between the echoes of a series, of the sign of an echo."""
    spacing, begin, end = best[1], best[2], best[3] + best[1]
    energy = 0.0
    for i in range(n):
        if counted_from <= place[i] <= end:
            turns = (place[i] - begin) / spacing
            off = abs(turns - np.floor(turns) - 0.5) * spacing
            right = law.alternation < 0 or law.sign == 0 or height[i] * law.sign > 0
            if right and off < law.slack and off < SLACK_SHARE * spacing:
                energy += height[i] * height[i]
    return energy


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _keep_if_best(trial: Reals, found: Reals) -> None:
    """Let a series take the place of the best one, or of its rival if the spacing is another."""
    another = not abs(trial[1] - found[1]) <= SAME_SPACING * found[1]
    if trial[0] > found[0]:
        if another and found[7] > found[8]:
            found[8] = found[7]
        for k in range(8):
            found[k] = trial[k]
    elif another and trial[7] > found[8]:
        found[8] = trial[7]


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _follow(
    sample: Reals,
    amplitude: Reals,
    n: int,
    i: int,
    order: int,
    spacing: float,
    fall: float,
    counted_from: float,
    gate_stop: float,
    level: float,
    law: Law,
    trial: Reals,
) -> float:
    """Walk along a series; gives the energy it explains less what it misses, fills in `trial`.

    The line of place against order is that of weighted least squares, an echo's energy its weight.
    """
    lead = 1.0 if amplitude[i] > 0 else -1.0
    if law.alternation < 0 and order % 2 == 0:
        lead = -lead
    if law.sign != 0 and (law.alternation != 0 or order == 1) and lead != law.sign:
        return 0.0
    base, expected, explained = sample[i], abs(amplitude[i]), 0.0
    if base >= counted_from:
        explained = expected * expected
    inside = int(np.ceil((counted_from - base) / spacing + order))
    inside = inside if inside > 1 else 1
    if order > inside:
        explained -= (order - inside) * expected * expected
    slack = SLACK_SHARE * spacing
    slack = slack if slack < law.slack else law.slack
    sw, sk, st, skk, skt, stt = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    step, used, last_order = spacing, 0, order
    k, at, p = order, i, base
    while p < gate_stop and k < LAST_ORDER:
        size, place = 0.0, base
        if k == order:
            size = expected
        else:
            before = at
            while at + 1 < n and abs(sample[at + 1] - p) <= abs(sample[at] - p):
                at += 1
            place = sample[at]
            fits = at > before and abs(place - p) <= slack
            if law.alternation != 0:
                wanted = lead if (law.alternation > 0 or k % 2 == 1) else -lead
                fits = fits and amplitude[at] * wanted > 0
            if fits:
                size = abs(amplitude[at])
                if place >= counted_from:
                    explained += size * size
                step = (place - base) * (1 / (k - order))  # the quotient waits for no place
        if size > 0:
            if used < law.most:
                weight, x, y = size * size, float(k - order), place - base
                sw += weight
                sk += weight * x
                st += weight * y
                skk += weight * x * x
                skt += weight * x * y
                stt += weight * y * y
                used += 1
                last_order = k
            expected = size
        elif expected <= MISSED_FROM * level:
            if at == n - 1:  # nothing comes any more, and nothing is missed
                break
        elif p >= counted_from:
            explained -= expected * expected
        expected *= fall
        k += 1
        p = base + step * (k - order)
    slope, start, misfit = spacing, base, 0.0
    if used > 1:
        scatter = skk - sk * sk / sw
        slope = (skt - sk * st / sw) / scatter
        start = base + (st - slope * sk) / sw
        rest = (stt - st * st / sw - slope * slope * scatter) / sw
        misfit = np.sqrt(rest) if rest > 0 else 0.0
    trial[1] = slope
    trial[2] = start
    trial[3] = start + slope * (last_order - order)
    trial[4] = order
    trial[5] = last_order
    trial[6] = misfit
    return explained
