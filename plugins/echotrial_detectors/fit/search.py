"""The course of a fit: every start on few bins, the best on all, and a look to both sides of it."""

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.fit.grid import COARSE, HOPELESS, Grid, pick_starts
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

#: The first rounds see every third bin: they have to find the basin, not the last digit.
STRIDE = 3
#: A film is followed with so many times the residual of a wall.
FILM_HOPE = 6.0
#: A fit this far behind after the first rounds (-2 log) is not refined further.
BEHIND = 30.0
#: A record of which the best fit leaves so many times what a reading may is given up.
FAR_TOO_MUCH = 3.0
#: ... and one of which it leaves this share of all energy is lost.
LOST = 0.25
#: Below this many standard deviations in the tolerance the posterior may be no Gaussian: look.
WIDE = 5.0
#: Tolerances off from which a thin wall is looked at as well: noise at the band's edge can look
#: like its resonance, a dip in what is minimised that is sharp and not deep.
FAR = 2.0
#: Walls this many periods apart are two.
APART = 0.1
#: Gap and spread (periods) from which a fit without either is tried once more.
FIRST_GAP = (0.05, 0.3)
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
    hope
        Share of a record that may be left by all walls where a ring-down may explain it yet.
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
    hope: float


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
    lean
        (n,): how much the mean of the wall's posterior is thicker than the best fit, periods.
    """

    theta: _Real
    value: _Real
    residual: _Real
    amplitude: _Real
    best: _Rows
    deviation: _Real
    side: _Real
    far: _Real
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
    centre[:, LOSS] = np.where(fits.film, 0.0, how.loss)
    floor = np.repeat(_FLOOR[None], fits.record.size, axis=0)
    floor[fits.film, WALL] = 0.0
    free = y.shape[1] // (2 * LANES * table.blocks) - 1
    strips = np.stack([how.aperture.excess, how.aperture.share, how.aperture.lean])
    refine(
        fits.record, fits.theta, centre, how.prior_spread if spread is None else spread, floor,
        np.where(fits.film, 0.0, how.stack.couplant_wall), y, table.known, table.blocks,
        table.damping, table.first, table.step, table.freedom, strips, how.stack.delay_couplant,
        rounds, enough, *room(strips.shape[1], table.blocks, free), np.empty(UNKNOWNS),
        fits.result, fits.inner,
    )  # fmt: skip
    return fits


def search(
    y: _Complex, usable: NDArray[np.bool_], arrival: _Real, tolerance: tuple[float, float],
    how: Search, starts: int, allowed: _Real,
) -> Found:  # fmt: skip
    """Fit records of unit energy.

    Parameters
    ----------
    y
        (n, m) damped spectra.
    usable
        (n,) records worth a fit.
    arrival
        (n,) nominal arrival relative to the anchor, periods.
    tolerance
        Relative to the wall, and in periods; the larger one counts.
    starts
        Walls from which a fit is started.
    allowed
        (n,) share of each record's energy that a reading may leave.
    """
    n, film = len(y), starts
    theta, results = np.zeros((n, film + 1, UNKNOWNS)), np.full((n, film + 1, 3), np.inf)
    rows, few = np.flatnonzero(usable), np.zeros((n, film + 1), np.bool_)
    starting = np.zeros((rows.size, film + 1, UNKNOWNS))
    few[rows] = promising(pick_starts(y[rows], how.grid, starting))
    theta[rows] = starting
    inner = np.zeros((n, film + 1, SIDE, SIDE + 1))
    stage(how.few.records(y), how.few, FEW_ENOUGH, few, theta, results, inner, arrival, how)
    share = how.few.freedom / how.every.freedom
    close = few & worth_more(results, BEHIND * share, allowed, how.hope)
    results[..., 0] /= share
    inner /= share
    return finish(
        how.every.records(y), close, theta, results, inner, arrival, tolerance, how, allowed
    )


def finish(
    every: _Real, close: NDArray[np.bool_], theta: _Real, results: _Real, inner: _Real,
    arrival: _Real, tolerance: tuple[float, float], how: Search, allowed: _Real,
) -> Found:  # fmt: skip
    """Fit those of (n, k) starts that are `close` to records laid out on all bins, see `search`."""
    n, film = len(theta), theta.shape[1] - 1
    stage(every, how.every, ENOUGH, close, theta, results, inner, arrival, how)
    # Nothing holds a film's thickness while it is fitted: what is unlikely of it counts afterwards.
    results[:, film, 0] += (theta[:, film, WALL] / how.film_spread) ** 2
    best = np.argmin(results[:, :film, 0], axis=1)
    deviation, side, far = np.full(n, np.inf), np.full(n, np.inf), np.full(n, np.inf)
    lean = np.zeros(n)
    fitted = np.flatnonzero(np.isfinite(results[np.arange(n), best, 0]))
    found = Fits(
        fitted, theta[fitted, best[fitted]], np.zeros(fitted.size, np.bool_),
        results[fitted, best[fitted]], inner[fitted, best[fitted]],
    )  # fmt: skip
    _leave_contact(found, every, arrival, how)
    theta[fitted, best[fitted]], results[fitted, best[fitted]] = found.theta, found.result
    # What leaves too much is not read, however sure.
    worth = np.flatnonzero(found.result[:, 1] <= allowed[fitted])
    fitted, found = fitted[worth], found.take(worth)
    deviation[fitted] = deviations(found, how)
    width, thin = width_of(found.theta, tolerance), found.theta[:, WALL] < how.thin
    far[fitted[thin]] = _sides(found, thin, FAR * width, every, arrival, how).min(axis=0)
    looked_at = thin | (WIDE * deviation[fitted] > width)
    sides = _sides(found, looked_at, width, every, arrival, how)
    side[fitted[looked_at]] = sides.min(axis=0)
    lean[fitted[looked_at]] = width[looked_at] * leaning(sides)
    theta[fitted, best[fitted]], results[fitted, best[fitted]] = found.theta, found.result
    return Found(
        theta, results[..., 0], results[..., 1], results[..., 2], best, deviation, side, far, lean
    )


def promising(scores: _Real) -> NDArray[np.bool_]:
    """Which starts are worth a fit, (n, k)."""
    left = 1 - scores**2
    hopeless = HOPELESS * np.maximum(left.min(axis=1), COARSE)[:, None]
    # The film is heard sooner: its grid is coarse, and what it explains is no wall.
    patience = np.ones(scores.shape[1])
    patience[-1] = FILM_HOPE
    return np.asarray((scores > 0) & (left < patience * hopeless))


def worth_more(results: _Real, behind: float, allowed: _Real, hope: float) -> NDArray[np.bool_]:
    """Which of (n, k) fits are worth more steps: those that are less than `behind` the best.

    Where the best leaves far too much, and more than there is `hope` for, nothing will be read: it
    goes on alone, unless it leaves more than any other look at the record makes up for.
    """
    value, left = results[..., 0], results[..., 1]
    least = left.min(axis=1, keepdims=True)
    hopeful = least < np.maximum(FAR_TOO_MUCH * allowed, hope)[:, None]
    with np.errstate(invalid="ignore"):  # infinity where nothing was fitted
        close = value - value.min(axis=1, keepdims=True) < behind
    return np.asarray(close & (hopeful | ((left == least) & (least < LOST))))


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


def _leave_contact(found: Fits, y: _Real, arrival: _Real, how: Search) -> None:
    """Try again from a gap: without one the arrival can hold a fit where it is not the best."""
    contact = (found.theta[:, GAP] <= 0) & (found.theta[:, SPREAD] <= 0)
    again = np.flatnonzero(contact & (found.result[:, 1] > COARSE))
    fits = Fits.of(found.record[again], found.theta[again])
    fits.theta[:, [GAP, SPREAD]] = FIRST_GAP
    fits.theta[:, ARRIVAL] -= FIRST_GAP[0] + 0.3 * FIRST_GAP[1]  # the mean gap's round trip
    make(fits, y, how.every, arrival, how, 2 * how.rounds, ENOUGH)
    _take_better(found, again, fits, fits.result[:, 0] < found.result[again, 0])


def _take_better(found: Fits, places: _Rows, fits: Fits, better: NDArray[np.bool_]) -> None:
    found.theta[places[better]] = fits.theta[better]
    found.result[places[better]] = fits.result[better]
    found.inner[places[better]] = fits.inner[better]


def deviations(found: Fits, how: Search) -> _Real:
    """Standard deviation of each wall with all other unknowns free, (j,).

    Under the exponential the noise is not white, so the inverse Hessian alone would be wrong; the
    sandwich H^-1 S H^-1 (least squares with noise of known covariance) is right. S is made of
    inner products of derivatives weighted by the noise's variance, the exponential's square, and
    these are inner products under twice the damping.
    """
    n = found.record.size
    silence = np.zeros((1, 2 * how.twice.blocks * LANES))
    twice = Fits.of(np.zeros(n, np.int64), found.theta)
    make(twice, silence, how.twice, np.zeros(1), how, 0, 0.0)
    scale = np.repeat(found.result[:, 2, None], SIDE, axis=1)
    scale[:, 0] = 1.0
    both = scale[:, :, None] * scale[:, None, :] * (how.every.freedom / found.result[:, 1])[
        :, None, None
    ]  # fmt: skip
    known = np.diag(np.concatenate([[0.0], how.prior_spread**-2.0]))
    bread, filling = both * _mirrored(found.inner) + known, both * _mirrored(twice.inner) + known
    unit = np.zeros((n, SIDE, 1))
    unit[:, 1 + WALL] = 1.0
    lever = np.linalg.solve(bread, unit)[..., 0]
    variance = np.einsum("ji,jik,jk->j", lever, filling, lever)
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def _mirrored(inner: _Real) -> _Real:
    lower = np.tril(inner[:, :, :SIDE])
    return np.asarray(lower + np.swapaxes(np.tril(lower, -1), 1, 2))


def _sides(
    found: Fits, looked_at: NDArray[np.bool_], width: _Real, y: _Real, arrival: _Real, how: Search
) -> _Real:
    """How far behind the fits are with the wall held `width` thinner or thicker, (2, j).

    Where a held fit turns out better, the best fit was none: a free fit goes on from there, is
    looked at once more, and if it was none either the answer is negative.
    """
    behind = np.full((2, found.record.size), np.inf)
    todo, held = np.flatnonzero(looked_at), held_wall(how)
    for _ in range(2):
        fits = Fits.of(np.tile(found.record[todo], 2), np.tile(found.theta[todo], (2, 1)))
        off = np.concatenate([-width[todo], width[todo]])
        fits.theta[:, WALL] = np.maximum(fits.theta[:, WALL] + off, _FLOOR[WALL])
        make(fits, y, how.every, arrival, how, how.rounds, HELD_ENOUGH, held)
        ahead = fits.result[:, 0].reshape(2, -1) - found.result[todo, 0]
        behind[:, todo] = ahead
        better = ahead.min(axis=0) < 0
        start = (ahead.argmin(axis=0) * todo.size + np.arange(todo.size))[better]
        todo = todo[better]
        if todo.size == 0:
            break
        free = Fits.of(found.record[todo], fits.theta[start])
        make(free, y, how.every, arrival, how, how.rounds, ENOUGH)
        _take_better(found, todo, free, np.ones(todo.size, np.bool_))
    return behind[:, looked_at]


def leaning(sides: _Real) -> _Real:
    """Mean of a posterior whose -2 log is `sides` (2, j) one unit below and above its mode, (j,).

    Two half normal densities, one on each side, meet at the mode: their mean lies sqrt(2/pi) of the
    difference of their standard deviations from it (S. John, Communications in Statistics - Theory
    and Methods 11 (1982) 879; from memory). A side that rises by less than 1 is no normal density.
    """
    below, above = 1 / np.sqrt(np.maximum(sides, 1.0))
    return np.asarray(np.sqrt(2 / np.pi) * (above - below))


def width_of(theta: _Real, tolerance: tuple[float, float]) -> _Real:
    """Tolerance of each wall in `theta` (j, 6), periods: the larger of relative and absolute."""
    return np.asarray(np.maximum(tolerance[0] * theta[:, WALL], tolerance[1]))


def held_wall(how: Search) -> _Real:
    """Priors under which a wall stays where it starts."""
    held = how.prior_spread.copy()
    held[WALL] = _HELD
    return held
