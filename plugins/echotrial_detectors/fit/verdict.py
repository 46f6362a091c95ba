"""From fits to a reading or to a reason why there is none (pure)."""

from dataclasses import dataclass

import numpy as np
import scipy.special
from numpy.typing import NDArray

from echotrial.ascan import Reason

_Real = NDArray[np.float64]


@dataclass(frozen=True)
class Fits:
    """What the fits of each record came to; the last start is a film without a wall.

    Attributes
    ----------
    value
        (n, k): minus twice the log posterior; infinite = no such fit.
    wall_m, deviation_m
        (n, k): thickness and its standard deviation.
    residual
        (n, k): share of the record's energy that is left.
    noise_share
        (n,): share of the record's energy that noise alone would be.
    """

    value: _Real
    wall_m: _Real
    deviation_m: _Real
    residual: _Real
    noise_share: _Real


@dataclass(frozen=True)
class Limits:
    """What is asked of a fit before it becomes a reading.

    Attributes
    ----------
    margin
        How much better than any other wall, in minus twice the log likelihood.
    film_margin
        ... and than a film or nothing on the tip.
    sureness
        Tolerance over standard deviation.
    excess
        Residual energy over that of the noise ...
    floor
        ... beyond this share of the record's energy.
    """

    margin: float
    film_margin: float
    sureness: float
    excess: float
    floor: float


def judge(
    fits: Fits, limits: Limits, tolerance_m: _Real, wall_range_m: tuple[float, float]
) -> tuple[NDArray[np.intp], NDArray[np.int8], _Real]:
    """Best wall fit of each record, reason (`Reason.READ` where it is a reading), confidence.

    `tolerance_m` (n, k) belongs to each fit's wall.
    """
    walls = fits.value[:, :-1]
    best = np.argmin(walls, axis=1)
    rows = np.arange(best.size)
    value, wall = walls[rows, best], fits.wall_m[rows, best]
    tolerance = tolerance_m[rows, best]
    deviation = fits.deviation_m[rows, best]
    other = np.abs(fits.wall_m[:, :-1] - wall[:, None]) > tolerance[:, None]
    ahead = np.where(other, walls - value[:, None], np.inf)
    ahead_of_film = fits.value[:, -1] - value
    residual = fits.residual[rows, best]
    allowed = np.maximum(limits.excess * fits.noise_share, limits.floor)

    reason = np.full(best.size, Reason.READ, dtype=np.int8)
    low, high = wall_range_m
    outside = (wall < low) | (wall > high)
    unsure = (ahead.min(axis=1) < limits.margin) | (deviation * limits.sureness > tolerance)
    for holds, why in (
        (outside, Reason.OUT_OF_RANGE),
        (unsure, Reason.AMBIGUOUS),
        (ahead_of_film < limits.film_margin, Reason.NO_ECHO),
        (residual > allowed, Reason.POOR_FIT),
        (~np.isfinite(value), Reason.BAD_SAMPLES),
    ):
        reason[holds] = why
    return best, reason, _confidence(ahead, ahead_of_film, deviation, tolerance)


def _confidence(ahead: _Real, ahead_of_film: _Real, deviation: _Real, tolerance: _Real) -> _Real:
    """Posterior share of the best wall times the chance that its error is within tolerance."""
    rivals = np.exp(-0.5 * ahead).sum(axis=1) + np.exp(-0.5 * np.clip(ahead_of_film, 0, None))
    within = scipy.special.erf(tolerance / np.maximum(deviation, 1e-12) / np.sqrt(2))
    return np.asarray(within / (1 + rivals))
