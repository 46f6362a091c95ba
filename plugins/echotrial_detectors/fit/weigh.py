"""Walls about the best fit, weighed: which reading is likeliest to be within tolerance?

A polymer sends back few echoes: a thin wall's likelihood is broad, or has two humps where a thinner
wall and more couplant explain the record about as well. Then the likeliest wall is not the best
reading. The likelihood is followed over a ladder of walls, the other unknowns fitted anew on every
rung, and the reading is the wall that has most of the posterior within a tolerance of it.
"""

from functools import cache

import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.fit.fits import (
    HELD_ENOUGH,
    WALL_FLOOR,
    Fits,
    Search,
    held_wall,
    make,
)
from echotrial_detectors.fit.newton import WALL

#: Rungs in a tolerance, and so many to either side.
PER_TOLERANCE, RUNGS = 2, 14
REACH = RUNGS / PER_TOLERANCE
#: A rung so far behind (-2 log) leads no further, ...
FOLLOWED = 12.0
#: ... and none counts for less than one that is so far behind.
LEAST = 30.0
#: A wall outside the set-up's range is so many times as likely as one in it (the range is what the
#: operator expects; how firmly, is a choice without a source), ...
OUTSIDE = 0.1
#: ... in minus twice the log likelihood.
UNEXPECTED = -2 * float(np.log(OUTSIDE))
#: Points between two rungs.
BETWEEN = 10
#: What a reading at the tolerance's edge is worth less than one without error: of readings that are
#: as likely within tolerance that of the least error is taken.
AT_THE_EDGE = 0.05

_Real = NDArray[np.float64]
_Rows = NDArray[np.int64]
_PLACES = 2 * RUNGS + 1


def within_reach(wall: _Real, best: _Real, width: _Real) -> NDArray[np.bool_]:
    """Whether walls lie on the ladder about the best one, more than a tolerance `width` off."""
    off = np.abs(wall - best)
    return np.asarray((off > width) & (off < width * REACH))


def ladder(
    best: Fits, other: _Real, value: _Real, width: _Real, y: _Real, arrival: _Real, how: Search
) -> _Real:
    """What is minimised on every rung, (j, places).

    From the best fit and from every `other` (j, k, 6), of `value` (j, k), that is on the ladder,
    rung by rung as long as these are not too far behind; infinite beyond.
    """
    n, held = best.record.size, held_wall(how)
    rung = width[:, None] / PER_TOLERANCE
    wall = best.theta[:, WALL, None] + rung * (np.arange(_PLACES) - RUNGS)
    values, theta = np.full((n, _PLACES), np.inf), np.zeros((n, _PLACES, best.theta.shape[1]))
    values[:, RUNGS], theta[:, RUNGS] = best.result[:, 0], best.theta

    def climb(rows: _Rows, places: _Rows, start: _Real) -> None:
        fits = Fits.of(best.record[rows], start)
        fits.theta[:, WALL] = wall[rows, places]
        make(fits, y, how.every, arrival, how, how.rounds, HELD_ENOUGH, held)
        values[rows, places], theta[rows, places] = fits.result[:, 0], fits.theta

    places = RUNGS + np.rint((other[..., WALL] - best.theta[:, WALL, None]) / rung).astype(int)
    inside = (places >= 0) & (places < _PLACES) & (places != RUNGS)
    inside &= value < best.result[:, 0, None] + FOLLOWED
    for k in range(other.shape[1]):
        rows = np.flatnonzero(inside[:, k])
        climb(rows, places[rows, k], other[rows, k])
    possible = wall > WALL_FLOOR
    for _ in range(_PLACES):
        least = values.min(axis=1, keepdims=True)
        leading = np.where(values < least + FOLLOWED, values, np.inf)
        below = np.pad(leading[:, :-1], ((0, 0), (1, 0)), constant_values=np.inf)
        above = np.pad(leading[:, 1:], ((0, 0), (0, 1)), constant_values=np.inf)
        nearest = np.minimum(below, above)
        rows, todo = np.nonzero(np.isinf(values) & np.isfinite(nearest) & possible)
        if rows.size == 0:
            break
        toward = np.where(below[rows, todo] < above[rows, todo], -1, 1)
        climb(rows, todo, theta[rows, todo + toward])
    return values


@cache
def _between() -> _Real:
    """Values between rungs from those on them, (places, points): Catmull and Rom's cubic."""
    at = np.arange((_PLACES - 1) * BETWEEN + 1) / BETWEEN
    rung = np.minimum(at.astype(int), _PLACES - 2)
    t, height = (at - rung)[:, None], np.eye(_PLACES)
    slope = np.gradient(height, axis=0)
    found = height[rung] * (1 + 2 * t) * (1 - t) ** 2 + slope[rung] * t * (1 - t) ** 2
    found += height[rung + 1] * t**2 * (3 - 2 * t) + slope[rung + 1] * t**2 * (t - 1)
    return np.ascontiguousarray(found.T)


def weigh(
    values: _Real, wall: _Real, width: _Real, expected: tuple[float, float]
) -> tuple[_Real, _Real]:
    """The reading and how likely it is within tolerance.

    Parameters
    ----------
    values
        (j, places) minus twice the log posterior on each rung, infinite where it is not known.
    wall
        (j,) of the rung in the middle.
    width
        (j,) tolerance.
    expected
        Thinnest and thickest wall of the set-up's range.

    Returns
    -------
    reading, share
        (j,) each; the share of the posterior that lies within tolerance of the reading.
    """
    behind = np.minimum(values - values.min(axis=1, keepdims=True), LEAST)
    between = _between()
    at = wall[:, None] + width[:, None] * np.linspace(-REACH, REACH, between.shape[1])
    outside = (at < expected[0]) | (at > expected[1])
    density = np.exp(-0.5 * (behind @ between)) * np.where(outside, OUTSIDE, 1.0)
    density *= at > WALL_FLOOR
    density /= density.sum(axis=1, keepdims=True)
    reach = PER_TOLERANCE * BETWEEN
    padded = np.pad(density, ((0, 0), (reach, reach)))
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1, axis=1)
    error = np.arange(-reach, reach + 1) / reach
    place = np.argmax(windows @ (1 - AT_THE_EDGE * error**2), axis=1)
    rows = np.arange(len(at))
    return at[rows, place], np.minimum(windows[rows, place].sum(axis=1), 1.0)
