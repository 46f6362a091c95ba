"""Which candidates are the equally spaced echoes of one wall, and how far apart they are."""

from dataclasses import dataclass
from typing import NamedTuple

import numba
import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.peaks import Candidates

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
    the best series of another spacing.
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


def best_series(
    candidates: Candidates,
    origin: NDArray[np.float64],
    counted_from: NDArray[np.float64],
    gate_stop: NDArray[np.float64],
    level: NDArray[np.float64],
    law: Law,
) -> Series:
    """Find, in each record, the equally spaced series that explains the candidates best.

    Parameters
    ----------
    candidates
        Echoes that may belong to it.
    origin
        Sample of the interface echo, or where the clock's zero offset lies, (n,).
    counted_from, gate_stop
        Samples between which candidates count and echoes of a series must not be missing, (n,);
        before, a candidate may be a remnant of the interface echo.
    level
        What an echo had to exceed to be a candidate, (n,).
    law
        What it has to obey.
    """
    found = np.full((len(origin), 9), np.nan)
    found[:, [0, 7, 8]] = 0.0
    _search(
        candidates.sample, candidates.amplitude, candidates.count, origin, counted_from,
        gate_stop, level, law, found,
    )  # fmt: skip
    return Series(*np.ascontiguousarray(found.T))


@numba.njit(cache=True, nogil=True)
def _search(
    sample: Reals,
    amplitude: Reals,
    count: NDArray[np.int64],
    origin: Reals,
    counted_from: Reals,
    gate_stop: Reals,
    level: Reals,
    law: Law,
    found: Reals,
) -> None:
    """Try the spacing from each likely first echo to each likely next one."""
    trial = np.empty(9)
    for row in range(sample.shape[0]):
        n = count[row]
        energy = 0.0
        for i in range(n):
            if sample[row, i] >= counted_from[row]:
                energy += amplitude[row, i] ** 2
        if energy == 0.0:
            continue
        highest = np.max(np.abs(amplitude[row, :n]))
        firsts = 0
        for i in range(n):
            if abs(amplitude[row, i]) < FIRST_SHARE * highest:
                continue
            firsts += 1
            if firsts > FIRSTS:
                break
            nexts = 0
            for j in range(i + 1, n if not law.from_origin else i + 2):
                if not law.from_origin and abs(amplitude[row, j]) < NEXT_SHARE * highest:
                    continue
                nexts += 1
                if nexts > NEXTS:
                    break
                after = sample[row, i] - origin[row]
                spacing = after if law.from_origin else sample[row, j] - sample[row, i]
                if not law.spacing_min <= spacing <= law.spacing_max:
                    continue
                order = round(after / spacing)
                off = abs(after - order * spacing)
                if order < 1 or off > max(law.origin_slack, law.origin_share * spacing):
                    continue
                fall = law.ratio
                if not law.from_origin:
                    fall = min(1.0, abs(amplitude[row, j] / amplitude[row, i]))
                gain = _follow(
                    sample[row, :n], amplitude[row, :n], i, order, spacing, fall,
                    counted_from[row], gate_stop[row], level[row], law, trial,
                )  # fmt: skip
                own = 0.0
                if not law.from_origin and sample[row, i] >= counted_from[row]:
                    own = amplitude[row, i] ** 2
                trial[0], trial[7] = gain / energy, max(gain - own, 0.0) / energy
                _keep_if_best(trial, found[row])


@numba.njit(cache=True, nogil=True)
def _keep_if_best(trial: Reals, found: Reals) -> None:
    """Let a series take the place of the best one, or of its rival if the spacing is another."""
    another = not abs(trial[1] - found[1]) <= SAME_SPACING * found[1]
    if trial[0] > found[0]:
        rival = max(found[8], found[7]) if another else found[8]
        found[:] = trial
        found[8] = rival
    elif another:
        found[8] = max(found[8], trial[7])


@numba.njit(cache=True, nogil=True)
def _follow(
    sample: Reals,
    amplitude: Reals,
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
    """Walk along a series; gives the energy it explains less what it misses, fills in `trial`."""
    lead = 1.0 if amplitude[i] > 0 else -1.0
    if law.alternation < 0 and order % 2 == 0:
        lead = -lead
    if law.sign != 0 and (law.alternation != 0 or order == 1) and lead != law.sign:
        return 0.0
    gain = amplitude[i] ** 2 if sample[i] >= counted_from else 0.0
    first_inside = max(1, int(np.ceil((counted_from - sample[i]) / spacing + order)))
    expected = abs(amplitude[i])
    for _ in range(first_inside, order):
        gain -= expected**2
    sw, sk, st, skk, skt, stt = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    place, step, used, last_order = sample[i], spacing, 0, order
    k, at, p = order, i, sample[i]
    while p < gate_stop and k < LAST_ORDER:
        size = 0.0
        if k == order:
            size = abs(amplitude[i])
        else:
            before, at = at, _nearest(sample, p, at)
            fits = at > before and abs(sample[at] - p) <= min(law.slack, SLACK_SHARE * spacing)
            if fits and law.alternation != 0:
                wanted = lead if (law.alternation > 0 or k % 2 == 1) else -lead
                fits = amplitude[at] * wanted > 0
            if fits:
                size = abs(amplitude[at])
                if sample[at] >= counted_from:
                    gain += size**2
                step = (sample[at] - sample[i]) / (k - order)
                place = sample[at]
        if size > 0:
            if used < law.most:
                weight, x, y = size**2, float(k), (place - sample[i])
                sw += weight
                sk += weight * x
                st += weight * y
                skk += weight * x * x
                skt += weight * x * y
                stt += weight * y * y
                used += 1
                last_order = k
            expected = size
        elif expected > MISSED_FROM * level and p >= counted_from:
            gain -= expected**2
        expected *= fall
        k += 1
        p = sample[i] + step * (k - order)
    _draw_line(sw, sk, st, skk, skt, stt, used, spacing, sample[i], order, last_order, trial)
    return gain


@numba.njit(cache=True, nogil=True)
def _draw_line(
    sw: float,
    sk: float,
    st: float,
    skk: float,
    skt: float,
    stt: float,
    used: int,
    spacing: float,
    base: float,
    order: int,
    last_order: int,
    trial: Reals,
) -> None:
    """Weighted least squares of place against order: spacing, ends on the line, misfit (rms)."""
    slope, start = spacing, base
    misfit = 0.0
    if used > 1:
        scatter = skk - sk * sk / sw
        slope = (skt - sk * st / sw) / scatter
        start = base + st / sw - slope * (sk / sw - order)
        misfit = np.sqrt(max(stt - st * st / sw - slope * slope * scatter, 0.0) / sw)
    trial[1] = slope
    trial[2] = start
    trial[3] = start + slope * (last_order - order)
    trial[4] = order
    trial[5] = last_order
    trial[6] = misfit


@numba.njit(cache=True, nogil=True)
def _nearest(sample: Reals, p: float, at: int) -> int:
    """Index of the candidate nearest to p, not before `at`."""
    while at + 1 < sample.size and abs(sample[at + 1] - p) <= abs(sample[at] - p):
        at += 1
    return at
