"""From fits to a reading or to a reason why there is none (pure)."""

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import scipy
from echotrial.ascan import Reason
from numpy.typing import NDArray

from echotrial_detectors.fit.weigh import UNEXPECTED

_Real = NDArray[np.float64]


@dataclass(frozen=True)
class Fits:
    """What the fits of each record came to, k of them, the last one a film without a wall.

    Attributes
    ----------
    value
        (n, k): minus twice the log posterior; infinite = no such fit.
    wall_m
        (n, k): thickness.
    residual
        (n, k): share of the record's energy that is left.
    best
        (n,): the wall fit that explains most.
    deviation_m
        (n,): standard deviation of its thickness.
    side
        (n,): how far behind it is with the wall one tolerance off; infinite = not looked at,
        because the standard deviation is far smaller than that.
    far
        (n,): the same of two tolerances; infinite = not looked at.
    noise_share
        (n,): share of the record's energy that noise alone would be.
    loss
        (n,): of the best wall, neper per period of travel.
    ringing
        (n,): whether the fit has a ring-down of its own, which answers for what is left.
    lean_m
        (n,): how much thicker than the best wall the reading would be.
    reach_m
        (n,): other walls less than this off count in `side` already.
    """

    value: _Real
    wall_m: _Real
    residual: _Real
    best: NDArray[np.int64]
    deviation_m: _Real
    side: _Real
    far: _Real
    noise_share: _Real
    loss: _Real
    ringing: NDArray[np.bool_]
    lean_m: _Real
    reach_m: _Real


@dataclass(frozen=True)
class Limits:
    """What is asked of a fit before it becomes a reading.

    Attributes
    ----------
    margin, soft_margin, near_margin
        How much better than any other wall, in minus twice the log likelihood; the second one for
        polymers, the third for walls within `near` tolerances and a tenth of the wall, which would
        make a reading wrong, and no lie.
    near
        See there.
    film_margin
        ... and than a film or nothing on the tip.
    sureness, strict_sureness
        Standard deviations that the tolerance must hold, by the likelihood at its ends; the second
        one for hard walls, and where more than noise and half of `floor` is left of the record.
    hard
        A hard wall's echoes are many and sharp: where they leave doubt, it is another wall. Below a
        third of a wavelength its half-wave resonance has left the band, and a thick wall
        explains the record as well as the thin one.
    apart_m
        Echoes of thicker walls stand apart.
    excess
        Residual energy over that of the noise: beyond it more than noise is left ...
    floor
        ... which may be at most this share of the record's energy.
    """

    #: Share of a record's energy that may be left however loud its noise: a wall explains most.
    most_left: ClassVar[float] = 0.3
    #: ... and of one on a hard wall so many times the noise and this share of the record: a wall
    #: that hides a lamination is a little worse explained than a sound one.
    hard_excess: ClassVar[float] = 1.5
    hard_floor: ClassVar[float] = 0.006
    #: ... or this share where echoes stand apart: then beam and couplant may be other than they are
    #: taken to be, and the wall is still that of the echoes' distance.
    apart_floor: ClassVar[float] = 0.015
    #: A wall that is no more likely than this beside a couplant film or nothing (-2 log) may be a
    #: dry tip, which answers much as some thin polymer walls do: if it is thinner than the range by
    #: half a tolerance, or the reading another than the likeliest wall, it is not read, and it is
    #: to be as far ahead of other walls as a hard one.
    doubtful: ClassVar[float] = 20.0
    #: Within so many tolerances a reading is no lie on however thin a wall.
    nearest: ClassVar[float] = 2.0
    #: Of a thin hard wall, where two tolerances are looked at: standard deviations that they must
    #: hold, that one must, and how much more likely than any other it must be (-2 log).
    far_sureness: ClassVar[float] = 3.0
    thin_sureness: ClassVar[float] = 2.0
    thin_margin: ClassVar[float] = 9.0
    #: Share that is left where the model is right, at most.
    right: ClassVar[float] = 0.002
    #: A hard wall loses less, neper per period of travel, or is rough or no true wall: the train of
    #: a wall of half a wavelength that dies away as fast is much like a ring-down. One that loses
    #: more may leave no more than so many times the noise.
    lossy: ClassVar[float] = 0.12
    lossy_excess: ClassVar[float] = 1.5

    margin: float
    soft_margin: float
    near_margin: float
    near: float
    film_margin: float
    sureness: float
    strict_sureness: float
    hard: bool
    apart_m: float
    excess: float
    floor: float


def most_left(noise_share: _Real, limits: Limits, wall_m: _Real | float = np.inf) -> _Real:
    """Share of each record's energy that a wall may leave unexplained."""
    allowed = np.maximum(limits.excess * noise_share, limits.floor)
    if limits.hard:
        floor = np.where(wall_m > limits.apart_m, limits.apart_floor, limits.hard_floor)
        allowed = np.minimum(allowed, limits.hard_excess * noise_share + floor)
    return np.asarray(np.minimum(allowed, limits.most_left))


def hardly_more_than(noise_share: _Real, limits: Limits) -> _Real:
    """Share of each record's energy that is left where the model is right."""
    return np.asarray(np.maximum(limits.excess * noise_share, limits.right))


def judge(
    fits: Fits, limits: Limits, tolerance_m: _Real, wall_range_m: tuple[float, float]
) -> tuple[NDArray[np.int8], _Real]:
    """Reason for each record (`Reason.READ` where it is a reading) and confidence.

    `tolerance_m` (n,) belongs to each record's best wall.
    """
    rows = np.arange(fits.best.size)
    low, high = wall_range_m
    outside = (fits.wall_m < low) | (fits.wall_m > high)
    outside[:, -1] = False  # no wall
    values = fits.value + np.where(outside & (not limits.hard), UNEXPECTED, 0.0)
    value, wall = values[rows, fits.best], fits.wall_m[rows, fits.best] + fits.lean_m
    fitted = np.isfinite(value)
    value = np.where(fitted, value, 0.0)
    ahead_of_film = values[:, -1] - value
    doubtful = ahead_of_film < limits.doubtful
    apart = np.abs(fits.wall_m[:, :-1] - wall[:, None]) / tolerance_m[:, None]
    as_film = doubtful[:, None] & (fits.wall_m[:, :-1] < (low - tolerance_m)[:, None])
    weighed = np.where(as_film, 0.0, (fits.reach_m / tolerance_m)[:, None])
    other = apart > np.maximum(1.0, weighed)
    ahead = np.where(other, values[:, :-1] - value[:, None], np.inf)
    residual = fits.residual[rows, fits.best]
    allowed = most_left(fits.noise_share, limits, wall)
    lossy = limits.hard & (fits.loss > limits.lossy)
    allowed = np.where(lossy, limits.lossy_excess * fits.noise_share, allowed)
    allowed = np.where(fits.ringing, limits.most_left, allowed)
    much = np.maximum(limits.excess * fits.noise_share, 0.5 * limits.floor)
    strict = limits.hard | (residual > much)
    sureness = np.where(strict, limits.strict_sureness, limits.sureness)
    near = np.clip(0.1 * wall / tolerance_m, limits.nearest, limits.near)[:, None]
    thin = np.isfinite(fits.far) & ~fits.ringing
    sureness = np.where(thin, limits.thin_sureness, sureness)
    margin = np.where(limits.hard | doubtful, limits.margin, limits.soft_margin)
    margin = np.where(thin, np.minimum(limits.thin_margin, margin), margin)
    rivalled = ahead < np.where(apart > near, margin[:, None], limits.near_margin)
    unsure = (fits.side < sureness**2) | rivalled.any(axis=1)
    unsure |= fits.far < limits.far_sureness**2
    too_thin = doubtful & ((wall < low - 0.5 * tolerance_m) | (np.abs(fits.lean_m) > tolerance_m))
    reason = np.full(rows.size, Reason.READ, dtype=np.int8)
    for holds, why in (
        ((wall < low - tolerance_m) | (wall > high + tolerance_m), Reason.OUT_OF_RANGE),
        (unsure, Reason.AMBIGUOUS),
        (too_thin | (ahead_of_film < limits.film_margin), Reason.NO_ECHO),
        (residual > allowed, Reason.POOR_FIT),
        (~fitted, Reason.NO_ECHO),
    ):
        reason[holds] = why
    return reason, _confidence(ahead, ahead_of_film, fits.side, fits.deviation_m, tolerance_m)


def _confidence(
    ahead: _Real, ahead_of_film: _Real, side: _Real, deviation: _Real, tolerance: _Real
) -> _Real:
    """Posterior share of the best wall times the chance that its error is within tolerance."""
    rivals = _odds(ahead).sum(axis=1) + _odds(ahead_of_film)
    sigmas = tolerance / np.clip(deviation, 1e-12, 1.0)
    sigmas = np.where(np.isfinite(side), np.sqrt(np.clip(side, 0.0, None)), sigmas)
    within = scipy.special.erf(sigmas / np.sqrt(2))
    return np.asarray(within / (1 + rivals))


def _odds(behind: _Real) -> _Real:
    return np.asarray(np.exp(-0.5 * np.clip(behind, 0.0, None)))
