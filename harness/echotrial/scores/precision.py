"""Bias and precision (ISO 5725) of readings of the right echoes, and what a wrong velocity adds."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import special

from echotrial.scores.bootstrap import bootstrap as resampled
from echotrial.scores.intervals import CONFIDENCE, NO_INTERVAL, Interval
from echotrial.scores.sampling import Sampling

Floats = NDArray[np.float64]
#: Above so many independent readings the mean is normal enough for Student's interval.
BOOTSTRAP_UP_TO: Final = 300


@dataclass(frozen=True)
class Moments:
    """Bias (mean error) and standard deviation of n errors, in their unit; NaN of too few."""

    n: int
    bias: float
    bias_interval: Interval
    sd: float
    note: str


NO_MOMENTS: Final = Moments(0, np.nan, NO_INTERVAL, np.nan, "no reading of the right echoes")


@dataclass(frozen=True)
class Spread(Moments):
    """What else there is to say of errors."""

    median: float
    mad: float
    rms: float


def moments(error: Floats, sampling: Sampling, bootstrap: bool = True) -> Moments:
    """Bias and standard deviation of errors, (n,), the latter with n - 1 in its denominator.

    The interval of the bias is the bias-corrected accelerated bootstrap (B. Efron, J. Am. Stat.
    Assoc. 82 (1987) 171-185) over independent readings or over specimens; Student's above
    `BOOTSTRAP_UP_TO` of them, or without `bootstrap`, which is a hundred times faster.
    """
    n = error.size
    if n == 0:
        return NO_MOMENTS
    interval, note = bias_interval(error, sampling, bootstrap)
    sd = float(np.std(error, ddof=1)) if n > 1 else np.nan
    return Moments(n, float(np.mean(error)), interval, sd, note)


def spread(error: Floats, sampling: Sampling) -> Spread:
    """Describe errors, (n,), in full.

    `mad` is the plain median absolute deviation from the median, without the factor 1.4826 that
    would make it estimate a normal standard deviation.
    """
    first = moments(error, sampling)
    if first.n == 0:
        return Spread(**vars(first), median=np.nan, mad=np.nan, rms=np.nan)
    median = float(np.median(error))
    mad, rms = float(np.median(np.abs(error - median))), float(np.sqrt(np.mean(error**2)))
    return Spread(**vars(first), median=median, mad=mad, rms=rms)


def bias_interval(
    error: Floats, sampling: Sampling, bootstrap: bool = True
) -> tuple[Interval, str]:
    """Interval of the mean error and how it was made."""
    total, count = _units(error, sampling)
    m = total.size
    if m < 2:
        return NO_INTERVAL, "one specimen: no interval" if error.size > 1 else "one reading"
    if np.ptp(total / count) <= 1e-12 * np.max(np.abs(total / count)):
        mean = float(total.sum() / count.sum())
        return Interval(mean, mean), "all alike"
    what = "readings" if sampling.specimen is None else "specimens"
    if not bootstrap or m > BOOTSTRAP_UP_TO:
        return _student(total, count), f"Student's interval of {m} {what}"
    return resampled(np.column_stack((total, count)), _ratio), f"bootstrap of {m} {what}"


def _units(error: Floats, sampling: Sampling) -> tuple[Floats, Floats]:
    """Sums and counts over whatever is independent: readings, or specimens."""
    if sampling.specimen is None:
        return error, np.ones_like(error)
    codes = np.unique(sampling.specimen, return_inverse=True)[1]
    return np.bincount(codes, weights=error).astype(float), np.bincount(codes).astype(float)


def _ratio(sums: Floats) -> Floats:
    return np.asarray(sums[..., 0] / sums[..., 1])


def _student(total: Floats, count: Floats) -> Interval:
    m, mean = total.size, total.sum() / count.sum()
    residual = total - mean * count
    error = np.sqrt(m / (m - 1) * np.sum(residual**2)) / count.sum()
    reach = float(special.stdtrit(m - 1, (1 + CONFIDENCE) / 2) * error)
    return Interval(float(mean - reach), float(mean + reach))
