"""A second reflector inside the wall: does it explain a record better than one wall does?

A lamination moves the resonances of a wall. Where but one or two of them lie in the band, a wall of
another thickness has them too, and explains what is there almost as well. So a wall in that range
is held against one with a thin partial reflector at some depth. There is no telling from a few
resonances how thick a laminated wall is; where it is much the likelier one, nothing is read.

A reflector of coefficient r, at a share f of the thickness, makes of a round trip E1 E2 through
both parts E1 (E2 + r) / (1 + r E2): layers by recursion, Kinsler et al., *Fundamentals of
Acoustics*, ch. 6, air behind the wall.
"""

from typing import Final

import numba
import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.fit.fits import ENOUGH, Fits, Found, Search, make
from echotrial_detectors.fit.newton import ARRIVAL, GAP, LOSS, SHAPE, SPREAD, UNKNOWNS, WALL
from echotrial_detectors.fit.stack import couplant, inverse

#: Round trips, periods, between which walls are looked at: for a lamination anywhere, and for one
#: half way down a wall of half the thickness.
THINNEST, THICKEST = 0.6, 1.7
TWICE_THINNEST, TWICE_THICKEST, HALF = 1.4, 2.6, 0.6
#: Spreads of the gap (periods) from which single walls are tried once more: what a fit left that
#: stopped short, a lamination explains too.
OTHER_SPREADS = (0.3, 1.2)
#: A ring-down has many more unknowns than a lamination: this much likelier (-2 log) it must be.
RINGING = 25.0
#: Two more unknowns, and what is expected of them: no reflection, half way.
REFLECTION, DEPTH, LAMINATED = UNKNOWNS, UNKNOWNS + 1, UNKNOWNS + 2
REFLECTION_SPREAD, DEPTH_MIDDLE, DEPTH_SPREAD = 0.4, 0.5, 0.4
#: Where fits start: wall over that of the single wall, depth; all from this reflection and gap.
STARTS: Final = ((0.9, 0.33), (0.9, 0.67), (1.1, 0.33), (1.1, 0.67), (0.5, 0.5))
START_REFLECTION, START_GAP = 0.35, 0.05
#: Depths at which a faint reflector is tried first, and the share of what is wanted (-2 log) that
#: it must promise.
FAINT_DEPTHS, PROMISE = (0.35, 0.5, 0.65), 0.2
#: Steps of all starts, after which the best is followed if it gains this share, and of that one.
FIRST_ROUNDS, FIRST_GAIN, ROUNDS = 3, 0.2, 6
#: Model, derivatives; the column beside their inner products holds those with the record.
_SIDE = LAMINATED + 1
_LEAST = np.array([-1e9, 0.02, 0.0, 0.0, 0.0, -1.0, -0.95, 0.12])
_MOST = np.array([1e9, 1e9, 1e9, 1e9, 1e9, 1.0, 0.95, 0.88])

_Complex = NDArray[np.complex128]
_Real = NDArray[np.float64]


def laminated_instead(
    y: _Complex, found: Found, ringing: NDArray[np.bool_], arrival: _Real, how: Search,
    margin: float,
) -> NDArray[np.bool_]:  # fmt: skip
    """Which records a laminated wall explains so much better that the single one is none, (n,).

    Parameters
    ----------
    y, arrival
        (n, m) damped spectra of unit energy, (n,) nominal arrivals.
    found, ringing
        Their fits, and (n,) which of those took a ring-down.
    margin
        How much likelier (-2 log) it must be than a wall without a ring-down.
    """
    rows = np.arange(len(y))
    theta, value = found.theta[rows, found.best], found.value[rows, found.best]
    some = np.flatnonzero((theta[:, WALL] > THINNEST) & (theta[:, WALL] < TWICE_THICKEST))
    instead = np.zeros(len(y), np.bool_)
    wanted = value[some] - np.where(ringing[some], -RINGING, margin)
    other = laminated_value(y[some], theta[some], arrival[some], wanted, how)
    instead[some] = other < wanted
    doubt = np.flatnonzero((other < wanted) & ~ringing[some])
    rows = some[doubt]
    single = _from_other_gaps(y[rows], theta[rows], arrival[rows], how)
    instead[rows] = single - other[doubt] > margin
    return instead


def _from_other_gaps(y: _Complex, theta: _Real, arrival: _Real, how: Search) -> _Real:
    """What is minimised of single walls whose fits start from narrow and wide gaps, (n,)."""
    laid, value = how.every.records(y), np.full(len(y), np.inf)
    for spread in OTHER_SPREADS:
        fits = Fits.of(np.arange(len(y)), theta)
        behind = theta[:, GAP] + how.aperture.mean_excess * theta[:, SPREAD]
        fits.theta[:, GAP], fits.theta[:, SPREAD], fits.theta[:, SHAPE] = START_GAP, spread, 0.0
        fits.theta[:, ARRIVAL] += behind - START_GAP - how.aperture.mean_excess * spread
        make(fits, laid, how.every, arrival, how, 2 * how.rounds, ENOUGH)
        value = np.minimum(value, fits.result[:, 0])
    return value


def laminated_value(y: _Complex, theta: _Real, arrival: _Real, wanted: _Real, how: Search) -> _Real:
    """What is minimised (see `newton.refine`) of the best laminated wall found, (n,).

    Infinite where a reflector promises too little.

    Parameters
    ----------
    y
        (n, m) damped spectra of unit energy.
    theta
        (n, 6) unknowns of the walls that explain them best.
    arrival
        (n,) nominal arrival, periods.
    wanted
        (n,): a search that does not look like coming below this is given up.
    """
    bins, strips, stack = how.ring.bins, how.aperture, how.stack
    spread = np.concatenate([how.prior_spread, [REFLECTION_SPREAD, DEPTH_SPREAD]])
    found = np.full(len(y), np.inf)
    _search(
        np.ascontiguousarray(y), np.ascontiguousarray(theta), arrival, wanted, spread, bins.pulse,
        bins.s, bins.law, np.stack([strips.excess, strips.share, strips.lean]),
        stack.couplant_loss, stack.delay_couplant, stack.couplant_wall, how.every.freedom,
        how.shape, np.array(STARTS), np.array(FAINT_DEPTHS), found,
    )  # fmt: skip
    return found


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _search(
    y: _Complex, theta: _Real, arrival: _Real, wanted: _Real, spread: _Real, pulse: _Complex,
    s: _Complex, law: _Complex, strips: _Real, film: float, r01: float, r12: float, freedom: float,
    shape: float, starts: _Real, depths: _Real, found: _Real,
) -> None:  # fmt: skip
    rows = np.empty(_SIDE, np.complex128)
    few = strips.shape[1]
    through, turns = np.empty(few, np.complex128), np.empty(few, np.complex128)
    now, then = np.empty((_SIDE, _SIDE + 1)), np.empty((_SIDE, _SIDE + 1))
    equations, trial = np.empty((LAMINATED, LAMINATED + 1)), np.empty(LAMINATED)
    centre, single = np.zeros(LAMINATED), np.empty(LAMINATED)
    begun = np.empty((starts.shape[0], LAMINATED))
    for record in range(y.shape[0]):
        centre[ARRIVAL], centre[WALL] = arrival[record], theta[record, WALL]
        centre[DEPTH], centre[SHAPE] = DEPTH_MIDDLE, shape
        for i in range(UNKNOWNS):
            single[i] = theta[record, i]
        single[REFLECTION] = 0.0
        alone, promise = 0.0, 0.0
        for d in range(depths.size):
            single[DEPTH] = depths[d]
            laminated(
                single, y[record], pulse, s, law, strips, film, r01, r12, rows, through, turns, now
            )
            value, residual, amplitude = _misfit(single, centre, spread, freedom, now)
            step = _step(single, centre, spread, residual / freedom, amplitude, 0.0, now, equations)
            alone = value - ((depths[d] - DEPTH_MIDDLE) / spread[DEPTH]) ** 2
            promise = max(promise, step)
        want = alone - wanted[record]
        if promise < PROMISE * want:
            continue
        best, least, last = 0, np.inf, starts.shape[0]
        for k in range(last + 1):  # the last time the best of them again
            if k == last and alone - least < FIRST_GAIN * want:
                break
            if k < last:
                wall, half = theta[record, WALL], starts[k, 0] < HALF
                if wall < TWICE_THINNEST if half else wall > THICKEST:
                    continue
            at = begun[best if k == last else k]
            if k < last:
                for i in range(UNKNOWNS):
                    at[i] = theta[record, i]
                at[WALL] *= starts[k, 0]
                at[ARRIVAL] += at[GAP] - START_GAP
                at[GAP], at[SHAPE] = START_GAP, 0.0
                at[REFLECTION], at[DEPTH] = START_REFLECTION, starts[k, 1]
            value = _follow(
                at, y[record], centre, spread, pulse, s, law, strips, film, r01, r12, freedom,
                ROUNDS if k == last else FIRST_ROUNDS, rows, through, turns, now, then, equations,
                trial,
            )  # fmt: skip
            if value < least:
                least, best = value, k
        found[record] = least


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _follow(
    theta: _Real, y: _Complex, centre: _Real, spread: _Real, pulse: _Complex, s: _Complex,
    law: _Complex, strips: _Real, film: float, r01: float, r12: float, freedom: float, rounds: int,
    rows: _Complex, through: _Complex, turns: _Complex, now: _Real, then: _Real, equations: _Real,
    trial: _Real,
) -> float:  # fmt: skip
    """Levenberg-Marquardt from `theta`, which is moved; gives what is minimised."""
    value, residual, amplitude, stiff = np.inf, 1.0, 0.0, 1e-2
    for j in range(LAMINATED):
        trial[j] = theta[j]
    for i in range(rounds + 1):
        if i > 0:
            noise = residual / freedom
            _step(theta, centre, spread, noise, amplitude, stiff, now, equations)
            for j in range(LAMINATED):
                trial[j] = min(max(theta[j] + equations[j, LAMINATED], _LEAST[j]), _MOST[j])
        laminated(trial, y, pulse, s, law, strips, film, r01, r12, rows, through, turns, then)
        found, left, height = _misfit(trial, centre, spread, freedom, then)
        if found < value:
            value, residual, amplitude = found, left, height
            stiff *= 0.2 if i > 0 else 1.0
            for j in range(LAMINATED):
                theta[j] = trial[j]
            for j in range(_SIDE):
                for k in range(_SIDE + 1):
                    now[j, k] = then[j, k]
        else:
            stiff *= 8.0
    return value


@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract", "nsz"})
def laminated(
    theta: _Real, y: _Complex, pulse: _Complex, s: _Complex, law: _Complex, strips: _Real,
    film: float, r01: float, r12: float, rows: _Complex, through: _Complex, turns: _Complex,
    products: _Real,
) -> None:  # fmt: skip
    """Inner products as of `newton.accumulate`, for a laminated wall, of all bins.

    `theta` (8,): the six unknowns, then the lamination's reflection and its depth.
    """
    count, step = strips.shape[1], s[1] - s[0]
    wall, loss, shape = theta[WALL], theta[LOSS], theta[SHAPE]
    r, depth = theta[REFLECTION], theta[DEPTH]
    for i in range(_SIDE):
        for j in range(_SIDE + 1):
            products[i, j] = 0.0
    for q in range(count):
        delay = theta[GAP] + theta[SPREAD] * strips[0, q]
        through[q] = np.exp(-delay * couplant(s[0], film))
        turns[q] = np.exp(-delay * (step + film * step.imag / np.pi))
    above, above_turn = np.exp(-wall * depth * s[0]), np.exp(-wall * depth * step)
    beneath, beneath_turn = np.exp(wall * (depth - 1) * s[0]), np.exp(wall * (depth - 1) * step)
    shift, shift_turn = -np.exp(-theta[ARRIVAL] * s[0]), np.exp(-theta[ARRIVAL] * step)
    for k in range(s.size):
        lost = loss * law[0, k] + law[1, k]
        rate = s[k] + lost
        upper = above * _near_one(-wall * depth * lost)
        lower = beneath * _near_one(-wall * (1 - depth) * lost)
        above *= above_turn
        beneath *= beneath_turn
        over = inverse(1 + r * lower)
        trip = upper * (lower + r) * over
        inner = upper * lower * (1 - r * r) * over * over  # by the logarithm of the lower part
        once = inverse(1 - r12 * trip)
        below = (r12 - trip) * once
        total, leaning, by_below, by_gap, by_spread = 0j, 0j, 0j, 0j, 0j
        for q in range(count):
            way = through[q]
            weight = strips[1, q] + shape * strips[2, q]
            down = inverse(1 + r01 * below * way)
            answer = (r01 + below * way) * down
            part = weight * (1 - r01 * r01) * way * down * down
            total += weight * answer
            leaning += strips[2, q] * answer
            by_below += part
            by_gap += part * below
            by_spread += part * below * strips[0, q]
            through[q] *= turns[q]
        base = pulse[k] * shift
        shift *= shift_turn
        by_trip = base * by_below * (r12 * r12 - 1) * once * once
        part = depth * trip + (1 - depth) * inner
        rows[0] = base * total
        rows[1 + ARRIVAL] = -s[k] * rows[0]
        rows[1 + WALL] = -by_trip * rate * part
        fading = -couplant(s[k], film) * base
        rows[1 + GAP], rows[1 + SPREAD] = fading * by_gap, fading * by_spread
        rows[1 + LOSS] = -by_trip * wall * law[0, k] * part
        rows[1 + SHAPE] = base * leaning
        rows[1 + REFLECTION] = by_trip * upper * (1 - lower * lower) * over * over
        rows[1 + DEPTH] = by_trip * wall * rate * (inner - trip)
        for i in range(_SIDE):
            re, im = rows[i].real, rows[i].imag
            for j in range(i + 1):
                products[i, j] += re * rows[j].real + im * rows[j].imag
            products[i, _SIDE] += re * y[k].real + im * y[k].imag


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _near_one(z: complex) -> complex:
    """exp(z) of small z: its [2/2] Pade approximant."""
    even, odd = 1 + z * z / 12, z / 2
    return (even + odd) * inverse(even - odd)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _misfit(
    theta: _Real, centre: _Real, spread: _Real, freedom: float, products: _Real
) -> tuple[float, float, float]:
    """As `newton.misfit`, of a record of unit energy."""
    onto = products[0, _SIDE]
    amplitude = onto / products[0, 0] if onto > 0 else 0.0
    residual = max(1 - amplitude * onto, 1e-12)
    penalty = 0.0
    for i in range(LAMINATED):
        penalty += ((theta[i] - centre[i]) / spread[i]) ** 2
    return freedom * np.log(residual) + penalty, residual, amplitude


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _step(
    theta: _Real, centre: _Real, spread: _Real, noise: float, amplitude: float, stiff: float,
    products: _Real, equations: _Real,
) -> float:  # fmt: skip
    """Solve the normal equations as `newton.normal_step` does; gives what the step should gain.

    The depth of what reflects nothing says nothing; its prior keeps the equations sound.
    """
    onto = LAMINATED
    for i in range(LAMINATED):
        slope = products[i + 1, _SIDE] - amplitude * products[i + 1, 0]
        weight = 1 / (spread[i] * spread[i])
        equations[i, onto] = amplitude * slope / noise - (theta[i] - centre[i]) * weight
        for j in range(i + 1):
            shared = products[i + 1, 0] * products[j + 1, 0] / products[0, 0]
            equations[i, j] = amplitude * amplitude * (products[i + 1, j + 1] - shared) / noise
        equations[i, i] = (equations[i, i] + weight) * (1 + stiff)
    for i in range(LAMINATED):
        if theta[i] <= _LEAST[i] and equations[i, onto] < 0:  # rests on its floor
            for j in range(LAMINATED):
                equations[max(i, j), min(i, j)] = 0.0
            equations[i, i], equations[i, onto] = 1.0, 0.0
    gain = 0.0
    for i in range(LAMINATED):
        for j in range(i + 1):
            total = equations[i, j]
            for k in range(j):
                total -= equations[i, k] * equations[j, k]
            equations[i, j] = np.sqrt(max(total, 1e-12)) if i == j else total / equations[j, j]
        total = equations[i, onto]
        for k in range(i):
            total -= equations[i, k] * equations[k, onto]
        equations[i, onto] = total / equations[i, i]
        gain += equations[i, onto] ** 2
    for i in range(LAMINATED - 1, -1, -1):
        total = equations[i, onto]
        for k in range(i + 1, LAMINATED):
            total -= equations[k, i] * equations[k, onto]
        equations[i, onto] = total / equations[i, i]
    return gain
