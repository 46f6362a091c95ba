"""Paired bootstrap of anything that is a function of means, fast for thousands of records.

Bias-corrected accelerated interval (B. Efron, J. Am. Stat. Assoc. 82 (1987) 171-185). Bias, spread
and their changes are functions of the mean of a few columns, so that leaving one record out is one
subtraction, and so is the acceleration.
"""

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import special

from echotrial.scores.intervals import CONFIDENCE, NO_INTERVAL, Interval

Floats = NDArray[np.float64]
#: From sums of columns, (..., k), to a number, (...).
OfSums = Callable[[Floats], Floats]
RESAMPLES: Final = 1999
#: Draws held at once.
_DRAWS: Final = 2_000_000


def bootstrap(columns: Floats, of_sums: OfSums, confidence: float = CONFIDENCE) -> Interval:
    """Interval of ``of_sums(columns.sum(0))``; rows of `columns`, (n, k), are drawn together."""
    if len(columns) < 2:
        return NO_INTERVAL
    total = columns.sum(axis=0)
    value = float(of_sums(total))
    drawn = of_sums(_resampled(columns))
    drawn = drawn[np.isfinite(drawn)]
    if not np.isfinite(value) or drawn.size == 0:
        return NO_INTERVAL
    if np.ptp(drawn) <= 1e-12 * max(1.0, abs(value)):
        return Interval(value, value)
    levels = _levels(value, drawn, of_sums(total - columns), confidence)
    low, high = np.quantile(drawn, levels)
    return Interval(float(low), float(high))


def _resampled(columns: Floats) -> Floats:
    """Sums of `RESAMPLES` draws of n rows with replacement, (RESAMPLES, k)."""
    n, k = columns.shape
    rng = np.random.default_rng(0)
    size = max(1, _DRAWS // n)
    found = np.empty((RESAMPLES, k))
    for start in range(0, RESAMPLES, size):
        rows = rng.integers(0, n, (min(size, RESAMPLES - start), n), dtype=np.int32)
        for j in range(k):
            found[start : start + size, j] = np.take(columns[:, j], rows).sum(axis=1)
    return found


def _levels(value: float, drawn: Floats, without: Floats, confidence: float) -> Floats:
    """Quantiles of the draws at which the interval ends."""
    share = (np.mean(drawn < value) + np.mean(drawn <= value)) / 2
    bias = special.ndtri(np.clip(share, 1 / drawn.size, 1 - 1 / drawn.size))
    lack = without.mean() - without
    cubed = float(np.sum(lack**2)) ** 1.5
    acceleration = float(np.sum(lack**3)) / (6 * cubed) if cubed > 0 else 0.0
    z = bias + special.ndtri([(1 - confidence) / 2, (1 + confidence) / 2])
    return np.asarray(special.ndtr(bias + z / (1 - acceleration * z)))
