"""The course of a fit: every start on few bins, the best on all, and a look to both sides of it."""

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.fit.grid import Grid, pick_starts
from echotrial_detectors.fit.newton import (
    ARRIVAL,
    GAP,
    LOSS,
    SHAPE,
    SPREAD,
    UNKNOWNS,
    WALL,
    deviation,
    refine,
)
from echotrial_detectors.fit.spectra import Bins
from echotrial_detectors.fit.stack import Aperture, Stack

#: The first rounds see every third bin: they have to find the basin, not the last digit.
STRIDE = 3
#: A start whose grid residual is this many times that of the best is not followed.
HOPELESS = 6.0
#: ... of a film: so many times that.
FILM_HOPE = 6.0
#: Residual that the grid's coarseness alone may leave.
COARSE = 0.005
#: A fit this far behind after the first rounds (-2 log) is not refined further.
BEHIND = 30.0
#: Below this many standard deviations in the tolerance the posterior may be no Gaussian: look.
WIDE = 8.0
#: Gap and spread (periods) from which a fit without either is tried once more.
FIRST_GAP = (0.05, 0.3)
_FLOOR = np.array([-np.inf, 0.02, 0.0, 0.0, 0.0, -1.0])
_FREE = 1e3

_Complex = NDArray[np.complex128]
_Real = NDArray[np.float64]


@dataclass(frozen=True)
class Search:
    """What stays the same from record to record.

    Attributes
    ----------
    prior_spread
        (6,) standard deviation expected of each unknown about zero (arrival: about its nominal
        time); the wall's is as good as infinite.
    rounds
        Newton steps at most, in each stage.
    """

    grid: Grid
    bins: Bins
    aperture: Aperture
    stack: Stack
    freedom: float
    prior_spread: _Real
    rounds: int


@dataclass(frozen=True)
class Found:
    """Fits of each record, k of them, the last one a film without a wall.

    Attributes
    ----------
    theta
        (n, k, 6) unknowns.
    value, residual, amplitude
        (n, k): see `newton.refine`; infinite where no fit was made.
    best
        (n,): the wall fit that explains most.
    deviation
        (n,): standard deviation of its wall, periods.
    side
        (n,): how much the better of the fits with the wall one tolerance off is behind.
    """

    theta: _Real
    value: _Real
    residual: _Real
    amplitude: _Real
    best: NDArray[np.int64]
    deviation: _Real
    side: _Real


def prior_spread(drift: float, least: float, spread: float, loss: float, shape: float) -> _Real:
    """Standard deviations in the order of the unknowns."""
    found = np.empty(UNKNOWNS)
    found[[ARRIVAL, WALL, GAP, SPREAD, LOSS, SHAPE]] = drift, _FREE, least, spread, loss, shape
    return found


def search(
    y: _Complex, usable: NDArray[np.bool_], correlation: NDArray[np.float32],
    arrival: _Real, tolerance: tuple[float, float], how: Search, starts: int,
) -> Found:  # fmt: skip
    """Fit records of unit energy.

    Parameters
    ----------
    y
        (n, m) damped spectra.
    usable
        (n,) records worth a fit.
    correlation
        See `grid.correlations`.
    arrival
        (n,) nominal arrival relative to the anchor, periods.
    tolerance
        Relative to the wall, and in periods; the larger one counts.
    starts
        Walls from which a fit is started.
    """
    n, k = len(y), starts + 1
    theta, results = np.zeros((n, k, UNKNOWNS)), np.full((n, k, 3), np.inf)
    best, extra = np.zeros(n, np.int64), np.full((n, 2), np.inf)
    g, b, a = how.grid, how.bins, how.aperture
    _search(
        y, usable, correlation, g.starts, g.family, g.is_film, g.families, arrival, tolerance,
        b.pulse, b.s, b.law, b.pulse_twice, b.s_twice, a.excess, a.share, a.lean,
        how.stack.delay_couplant, how.stack.couplant_wall, how.freedom, how.prior_spread,
        how.rounds, theta, results, best, extra,
    )  # fmt: skip
    return Found(
        theta, results[..., 0], results[..., 1], results[..., 2], best, extra[:, 0], extra[:, 1]
    )


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _search(  # type: ignore[no-untyped-def]
    y, usable, correlation, starts, family, is_film, families, arrival, tolerance, pulse, s, law,
    pulse_twice, s_twice, excess, share, lean, r01, r12, freedom, spread, rounds, theta, results,
    best, extra,
):  # fmt: skip
    count = theta.shape[1]
    film = count - 1
    scores, prior = np.zeros(count), np.zeros(UNKNOWNS)
    film_floor = _FLOOR.copy()
    film_floor[WALL] = 0.0
    few_pulse, few_s, few_law = pulse[::STRIDE].copy(), s[::STRIDE].copy(), law[:, ::STRIDE].copy()
    few_freedom = freedom * few_s.size / s.size
    for row in range(y.shape[0]):
        if not usable[row]:
            continue
        pick_starts(correlation[row], starts, family, is_film, families, theta[row], scores)
        prior[ARRIVAL] = arrival[row]
        few_y = y[row, ::STRIDE].copy()
        hopeless = HOPELESS * max(1 - scores.max() ** 2, COARSE)
        for k in range(count):
            # The film is heard sooner: its grid is coarse, and what it explains is no wall.
            if scores[k] > 0 and 1 - scores[k] ** 2 < (FILM_HOPE if k == film else 1.0) * hopeless:
                prior[WALL] = theta[row, k, WALL]
                refine(
                    theta[row, k], few_y, few_pulse, few_s, few_law, excess, share, lean, r01,
                    0.0 if k == film else r12, few_freedom, prior, spread,
                    film_floor if k == film else _FLOOR, rounds, 0.3, results[row, k],
                )  # fmt: skip
        ahead = results[row, :, 0].min()
        for k in range(count):
            if results[row, k, 0] < ahead + BEHIND * few_freedom / freedom:
                prior[WALL] = theta[row, k, WALL]
                refine(
                    theta[row, k], y[row], pulse, s, law, excess, share, lean, r01,
                    0.0 if k == film else r12, freedom, prior, spread,
                    film_floor if k == film else _FLOOR, rounds, 1e-3, results[row, k],
                )  # fmt: skip
            else:
                results[row, k, 0] *= freedom / few_freedom
        best[row] = np.argmin(results[row, :film, 0])
        found, result = theta[row, best[row]], results[row, best[row]]
        if not np.isfinite(result[0]):
            continue
        if found[GAP] <= 0 and found[SPREAD] <= 0 and result[1] > COARSE:
            _leave_contact(
                found, result, y[row], pulse, s, law, excess, share, lean, r01, r12, freedom,
                prior, spread, rounds,
            )  # fmt: skip
        extra[row, 0] = deviation(
            found, pulse, s, law, pulse_twice, s_twice, law, excess, share, lean, r01, r12,
            result[1] / freedom, result[2], spread,
        )  # fmt: skip
        width = max(tolerance[0] * found[WALL], tolerance[1])
        if WIDE * extra[row, 0] > width:
            for _ in range(2):
                extra[row, 1] = _sides(
                    found, result, width, y[row], pulse, s, law, excess, share, lean, r01, r12,
                    freedom, prior, spread, rounds,
                )  # fmt: skip
                if extra[row, 1] >= 0:
                    break


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _leave_contact(  # type: ignore[no-untyped-def]
    found, result, y, pulse, s, law, excess, share, lean, r01, r12, freedom, prior, spread, rounds
):
    """Try again from a gap: without one the arrival can hold a fit where it is not the best."""
    theta, other = found.copy(), np.empty(3)
    theta[GAP], theta[SPREAD] = FIRST_GAP
    theta[ARRIVAL] -= FIRST_GAP[0] + 0.3 * FIRST_GAP[1]  # the mean gap's round trip
    prior[WALL] = found[WALL]
    refine(
        theta, y, pulse, s, law, excess, share, lean, r01, r12, freedom, prior, spread, _FLOOR,
        2 * rounds, 1e-3, other,
    )  # fmt: skip
    if other[0] < result[0]:
        found[:] = theta
        result[:] = other


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _sides(  # type: ignore[no-untyped-def]
    found, result, width, y, pulse, s, law, excess, share, lean, r01, r12, freedom, prior, spread,
    rounds,
):  # fmt: skip
    """How far behind the best fit is with the wall held `width` thinner or thicker, the nearer.

    Where a held fit turns out better, the best fit was none: a free fit goes on from there, and
    the answer is negative.
    """
    held, side = spread.copy(), np.empty(3)
    held[WALL] = 1e-4
    behind = np.inf
    for step in (-width, width):
        theta = found.copy()
        theta[WALL] = max(found[WALL] + step, _FLOOR[WALL])
        prior[WALL] = theta[WALL]
        refine(
            theta, y, pulse, s, law, excess, share, lean, r01, r12, freedom, prior, held, _FLOOR,
            rounds, 0.1, side,
        )  # fmt: skip
        behind = min(behind, side[0] - result[0])
        if behind < 0:
            refine(
                theta, y, pulse, s, law, excess, share, lean, r01, r12, freedom, prior, spread,
                _FLOOR, rounds, 1e-3, side,
            )  # fmt: skip
            found[:] = theta
            result[:] = side
            break
    return behind
