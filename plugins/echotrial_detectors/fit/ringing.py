"""The course of a fit to records that no wall explains as long as the pulse is the reference echo.

The ring-down (`ring.Ring`) is found for where a fit stands, undone, and the fit goes on from there:
for every wall that is a candidate and for the film, so that a rival has the freedom of the best.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.fit.fits import (
    ENOUGH,
    FEW_ENOUGH,
    HELD_ENOUGH,
    WALL_FLOOR,
    Fits,
    Found,
    Search,
    held_wall,
    make,
    width_of,
)
from echotrial_detectors.fit.newton import LOSS, WALL
from echotrial_detectors.fit.search import FAR, deviations, leaning

#: A ring-down has to explain all but this share of what was left of a record, ...
LEFT = 0.25
#: ... or, where it leaves hardly more than the noise or this, all but this share.
NOISY, RIGHT, LEFT_OF_LITTLE = 1.7, 0.003, 0.4
#: ... and may leave this share of the record, or so many times the noise.
FLOOR, EXCESS = 0.01, 2.3
#: With a ring-down free a wall may lose this share of what it may else, and must be so much more
#: likely than another (-2 log).
LOSSY, MARGIN = 0.5, 25.0
#: With more than this left of a record it is no ring-down; and none where the best wall of the
#: first fits leaves this much with one.
MOST, HOPE = 0.15, 0.03
#: Least variance of the noise: this share of the record's energy, spread over its freedom.
QUIET = 1e-4

_Complex = NDArray[np.complex128]
_Real = NDArray[np.float64]
_Rows = NDArray[np.int64]


def search_ringing(
    y: _Complex, before: Found, noise: _Real, arrival: _Real, tolerance: tuple[float, float],
    how: Search, lossy: float,
) -> tuple[_Rows, Found]:  # fmt: skip
    """Which of the records a wall and a ring-down explain, and the fits of those.

    Parameters
    ----------
    y
        (n, m) damped spectra of unit energy.
    before
        The fits without a ring-down.
    noise
        (n,) share of the record's energy that noise alone would be.
    arrival, tolerance
        See `search.search`.
    lossy
        See `verdict.Limits`: a wall that loses more mimics a ring-down.
    """
    left = before.residual[np.arange(len(y)), before.best]
    rows = _hopeful(y, before, left, noise, arrival, how)
    found, value, best = _again(y, before, rows, noise, arrival, how)
    allowed = np.where(
        best.result[:, 1] < LEFT * left[rows],
        np.maximum(EXCESS * noise[rows], FLOOR),
        np.minimum(np.maximum(NOISY * noise[rows], RIGHT), LEFT_OF_LITTLE * left[rows]),
    )
    explained = np.flatnonzero(
        (best.result[:, 1] < allowed) & (best.theta[:, LOSS] < LOSSY * lossy)
    )
    rows, best, found = rows[explained], best.take(explained), found.take(explained)
    found.deviation[:] = deviations(best, how)
    width, value = width_of(best.theta, tolerance), value[explained]
    sides = _sides(y, best, value, noise, arrival, width, how)
    found.side[:], found.lean[:] = sides.min(axis=0), width * leaning(sides)
    thin = np.flatnonzero(best.theta[:, WALL] < how.thin)
    found.far[:], found.reach[:] = np.inf, 0.0
    found.far[thin] = _sides(
        y, best.take(thin), value[thin], noise, arrival, FAR * width[thin], how
    ).min(axis=0)
    found.side[found.rivalled(MARGIN)] = 0.0
    return rows, found


def _hopeful(
    y: _Complex, before: Found, left: _Real, noise: _Real, arrival: _Real, how: Search
) -> _Rows:
    """Records of which the best wall so far leaves little with a ring-down."""
    rows = np.flatnonzero(left < MOST)
    fits = Fits.of(rows, before.theta[rows, before.best[rows]])
    made, _ = _undone(y, fits, noise, arrival, how, FEW_ENOUGH)
    return rows[made.result[:, 1] < np.maximum(EXCESS * noise[rows], HOPE)]


def _again(
    y: _Complex, before: Found, rows: _Rows, noise: _Real, arrival: _Real, how: Search
) -> tuple[Found, _Real, Fits]:
    """Every candidate of some records again, and the best once more; its values and itself."""
    found = before.take(rows)
    film, n = found.value.shape[1] - 1, np.arange(rows.size)
    chosen = np.isfinite(found.value) & (found.residual < MOST)
    found.value[~chosen] = np.inf
    record, start = np.nonzero(chosen)
    fits = Fits.of(rows[record], found.theta[chosen], start == film)
    made, cost = _undone(y, fits, noise, arrival, how, FEW_ENOUGH)
    found.theta[chosen] = made.theta
    found.value[chosen] = made.result[:, 0] + cost
    found.residual[chosen], found.amplitude[chosen] = made.result[:, 1], made.result[:, 2]
    found.value[:, film] += (found.theta[:, film, WALL] / how.film_spread) ** 2
    found.best[:] = np.argmin(found.value[:, :film], axis=1)
    best, cost = _undone(y, Fits.of(rows, found.theta[n, found.best]), noise, arrival, how)
    found.theta[n, found.best], value = best.theta, best.result[:, 0] + cost
    found.value[n, found.best], found.residual[n, found.best] = value, best.result[:, 1]
    return found, value, replace(best, record=rows)


def _undone(
    y: _Complex, fits: Fits, noise: _Real, arrival: _Real, how: Search,
    enough: float = ENOUGH, spread: _Real | None = None,
) -> tuple[Fits, _Real]:  # fmt: skip
    """Fits after the ring-down of where they start is undone, and what the ring-downs cost.

    `fits.record` are rows of `y`.
    """
    noise = np.maximum(noise, QUIET)[fits.record] / how.every.freedom
    own = Fits.of(np.arange(fits.record.size), fits.theta, fits.film)
    answer = how.ring.answer(own.theta, own.film, how.stack)
    undone, cost = how.ring.undone(y[fits.record], answer, noise)
    records = how.every.records(undone)
    make(own, records, how.every, arrival[fits.record], how, how.rounds, enough, spread)
    return own, cost


def _sides(
    y: _Complex, best: Fits, value: _Real, noise: _Real, arrival: _Real, width: _Real, how: Search
) -> _Real:
    """How far behind the fits are with the wall held `width` thinner or thicker, (2, j)."""
    n = best.record.size
    held = Fits.of(np.tile(best.record, 2), np.tile(best.theta, (2, 1)))
    off = np.concatenate([-width, width])
    held.theta[:, WALL] = np.maximum(held.theta[:, WALL] + off, WALL_FLOOR)
    made, cost = _undone(y, held, noise, arrival, how, HELD_ENOUGH, held_wall(how))
    return np.asarray((made.result[:, 0] + cost).reshape(2, n) - value)
