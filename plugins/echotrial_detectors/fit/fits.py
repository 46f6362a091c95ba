"""Fits: what they need, what is made of them, and how they are made many at a time."""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.fit.grid import Grid
from echotrial_detectors.fit.lanes import LANES, Table
from echotrial_detectors.fit.newton import (
    ARRIVAL,
    GAP,
    LOSS,
    SHAPE,
    SIDE,
    SPREAD,
    UNKNOWNS,
    WALL,
    refine,
    room,
)
from echotrial_detectors.fit.ring import Ring
from echotrial_detectors.fit.stack import Aperture, Stack

#: Walls this many periods apart are two.
APART = 0.1
WALL_FLOOR = 0.02
_FLOOR = np.array([-np.inf, WALL_FLOOR, 0.0, 0.0, 0.0, -1.0])
_FREE = 1e3
#: Standard deviation of a wall that is held, periods.
_HELD = 1e-4
#: Rounds that gain less than this (-2 log) are the last: on few bins, on all, with the wall held.
FEW_ENOUGH, ENOUGH, HELD_ENOUGH = 0.3, 4e-3, 0.1

_Complex = NDArray[np.complex128]
_Real = NDArray[np.float64]
_Rows = NDArray[np.int64]


@dataclass(frozen=True)
class Search:
    """What stays the same from record to record.

    Attributes
    ----------
    few, every, twice
        Some bins, all of them, and all of them under twice the damping.
    prior_spread
        (6,) standard deviation expected of each unknown about zero (arrival: about its nominal
        time); the wall's is as good as infinite.
    film_spread
        Standard deviation expected of a film's round trip on a lifted probe, periods.
    rounds
        Newton steps at most, in each stage.
    ring
        What the probe may ring with where the reference echo does not.
    thin
        Below this round trip (periods) a wall is looked at from two tolerances off too.
    loss
        Expected of the wall, neper per period of travel.
    shape
        Expected of the aperture, see `stack.Aperture`.
    hope
        Share of a record that may be left by all walls where a ring-down may explain it yet.
    expected
        Thinnest and thickest round trip of the set-up's range (periods), where walls are weighed
        (`weigh`); none: they are not.
    """

    grid: Grid
    few: Table
    every: Table
    twice: Table
    aperture: Aperture
    stack: Stack
    prior_spread: _Real
    film_spread: float
    rounds: int
    ring: Ring
    thin: float
    loss: float
    shape: float
    hope: float
    expected: tuple[float, float] | None


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
    far
        (n,): the same of two tolerances for thin walls, see `Search`; infinite for others.
    reach
        (n,): other walls less than so many periods off count in `side` already.
    lean
        (n,): how much thicker than the best fit the reading is to be, periods.
    """

    theta: _Real
    value: _Real
    residual: _Real
    amplitude: _Real
    best: _Rows
    deviation: _Real
    side: _Real
    far: _Real
    reach: _Real
    lean: _Real

    def take(self, rows: _Rows) -> "Found":
        """The fits of some records."""
        return Found(*(getattr(self, field.name)[rows] for field in fields(self)))

    def rivalled(self, margin: float) -> NDArray[np.bool_]:
        """Whether another wall, `APART` periods away or more, is less than `margin` behind."""
        rows = np.arange(self.best.size)
        wall, best = self.theta[:, :-1, WALL], self.theta[rows, self.best, WALL]
        close = self.value[:, :-1] < self.value[rows, self.best, None] + margin
        return np.asarray((close & (np.abs(wall - best[:, None]) > APART)).any(axis=1))

    def put(self, rows: _Rows, other: "Found") -> None:
        """Take the fits of `other` for some records."""
        for field in fields(self):
            getattr(self, field.name)[rows] = getattr(other, field.name)


def prior_spread(drift: float, least: float, spread: float, loss: float, shape: float) -> _Real:
    """Standard deviations in the order of the unknowns."""
    found = np.empty(UNKNOWNS)
    found[[ARRIVAL, WALL, GAP, SPREAD, LOSS, SHAPE]] = drift, _FREE, least, spread, loss, shape
    return found


@dataclass(frozen=True)
class Fits:
    """Fits that are made in one go.

    Attributes
    ----------
    record
        (j,): of which record each is.
    theta
        (j, 6): where it starts, then where it ended.
    film
        (j,): whether it is one of a film without a wall.
    result, inner
        (j, 3) and (j, 7, 8): see `newton.refine`.
    """

    record: _Rows
    theta: _Real
    film: NDArray[np.bool_]
    result: _Real
    inner: _Real

    @classmethod
    def of(cls, record: _Rows, theta: _Real, film: NDArray[np.bool_] | None = None) -> "Fits":
        """Fits still to be made."""
        n = record.size
        none = np.zeros(n, np.bool_) if film is None else film
        rows, result = np.ascontiguousarray(record), np.empty((n, 3))
        return cls(rows, theta.copy(), none, result, np.empty((n, SIDE, SIDE + 1)))

    def take(self, places: _Rows) -> "Fits":
        """Some of them."""
        return Fits(*(getattr(self, field.name)[places] for field in fields(self)))


def make(
    fits: Fits, y: _Real, table: Table, arrival: _Real, how: Search, rounds: int, enough: float,
    spread: _Real | None = None,
) -> Fits:  # fmt: skip
    """Make the fits to records laid out by `table`; gives them back, made."""
    centre = np.zeros_like(fits.theta)
    centre[:, ARRIVAL], centre[:, WALL] = arrival[fits.record], fits.theta[:, WALL]
    centre[:, SHAPE] = how.shape
    centre[:, LOSS] = np.where(fits.film, 0.0, how.loss)
    floor = np.repeat(_FLOOR[None], fits.record.size, axis=0)
    floor[fits.film, WALL] = 0.0
    free = y.shape[1] // (2 * LANES * table.blocks) - 1
    strips = np.stack([how.aperture.excess, how.aperture.share, how.aperture.lean])
    refine(
        fits.record, fits.theta, centre, how.prior_spread if spread is None else spread, floor,
        np.where(fits.film, 0.0, how.stack.couplant_wall), y, table.known, table.blocks,
        table.damping, table.first, table.step, table.freedom, strips,
        how.stack.couplant_loss, how.stack.delay_couplant, rounds, enough,
        *room(strips.shape[1], table.blocks, free), np.empty(UNKNOWNS), fits.result, fits.inner,
    )  # fmt: skip
    return fits


def stage(
    y: _Real, table: Table, enough: float, chosen: NDArray[np.bool_], theta: _Real, results: _Real,
    inner: _Real, arrival: _Real, how: Search, rounds: int | None = None,
) -> None:  # fmt: skip
    """Fit the chosen of (n, k) starts, and put what comes of it in their places."""
    record, start = np.nonzero(chosen)
    film = start == chosen.shape[1] - 1
    fits = Fits.of(record, theta[chosen], film)
    make(fits, y, table, arrival, how, rounds or how.rounds, enough)
    theta[chosen], results[chosen], inner[chosen] = fits.theta, fits.result, fits.inner


def width_of(theta: _Real, tolerance: tuple[float, float]) -> _Real:
    """Tolerance of each wall in `theta` (j, 6), periods: the larger of relative and absolute."""
    return np.asarray(np.maximum(tolerance[0] * theta[:, WALL], tolerance[1]))


def held_wall(how: Search) -> _Real:
    """Priors under which a wall stays where it starts."""
    held = how.prior_spread.copy()
    held[WALL] = _HELD
    return held
