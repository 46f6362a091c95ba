"""The course of a fit: every start on few bins, the best on all, and a look to both sides of it."""

import numpy as np
import scipy
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
    stage,
    width_of,
)
from echotrial_detectors.fit.grid import COARSE, HOPELESS, pick_starts
from echotrial_detectors.fit.lanes import LANES
from echotrial_detectors.fit.newton import (
    ARRIVAL,
    GAP,
    SIDE,
    SPREAD,
    UNKNOWNS,
    WALL,
)
from echotrial_detectors.fit.weigh import FOLLOWED, REACH, ladder, weigh, within_reach

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
#: Gap and spread (periods) from which a fit without either is tried once more.
FIRST_GAP = (0.05, 0.3)

_Complex = NDArray[np.complex128]
_Real = NDArray[np.float64]
_Rows = NDArray[np.int64]


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
    stage(every, how.every, HELD_ENOUGH, close, theta, results, inner, arrival, how)
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
    make(found, every, how.every, arrival, how, how.rounds, ENOUGH)
    _leave_contact(found, every, arrival, how)
    theta[fitted, best[fitted]], results[fitted, best[fitted]] = found.theta, found.result
    # What leaves too much is not read, however sure.
    worth = np.flatnonzero(found.result[:, 1] <= allowed[fitted])
    fitted, found = fitted[worth], found.take(worth)
    deviation[fitted] = deviations(found, how)
    width, thin = width_of(found.theta, tolerance), found.theta[:, WALL] < how.thin
    far[fitted[thin]] = _sides(found, thin, FAR * width, every, arrival, how).min(axis=0)
    looked_at = thin | (WIDE * deviation[fitted] > width)
    reach = np.zeros(n)
    if how.expected is None:
        sides = _sides(found, looked_at, width, every, arrival, how)
        side[fitted[looked_at]] = sides.min(axis=0)
        lean[fitted[looked_at]] = width[looked_at] * leaning(sides)
    else:
        other, value = theta[fitted, :film], results[fitted, :film, 0]
        near = within_reach(other[..., WALL], found.theta[:, WALL, None], width[:, None])
        looked_at |= (near & (value < found.result[:, :1] + FOLLOWED)).any(axis=1)
        few = np.flatnonzero(looked_at)
        side[fitted[few]], lean[fitted[few]], reach[fitted[few]] = _weighed(
            found, few, other[few], value[few], width[few], every, arrival, how
        )
    theta[fitted, best[fitted]], results[fitted, best[fitted]] = found.theta, found.result
    return Found(
        theta, results[..., 0], results[..., 1], results[..., 2], best, deviation, side, far, reach,
        lean,
    )  # fmt: skip


def _weighed(
    found: Fits, few: _Rows, other: _Real, value: _Real, width: _Real, y: _Real, arrival: _Real,
    how: Search,
) -> tuple[_Real, _Real, _Real]:  # fmt: skip
    """`Found.side`, `lean` and `reach` of a `few` walls, by all of their posteriors (`weigh`)."""
    assert how.expected is not None
    values = ladder(found.take(few), other, value, width, y, arrival, how)
    found.result[few, 0] = values.min(axis=1)
    reading, share = weigh(values, found.theta[few, WALL], width, how.expected)
    lean = reading - found.theta[few, WALL]
    # A normal posterior with so much of it within tolerance would rise by this at its ends.
    return 2 * scipy.special.erfinv(share) ** 2, lean, REACH * width - np.abs(lean)


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
        fits.theta[:, WALL] = np.maximum(fits.theta[:, WALL] + off, WALL_FLOOR)
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
