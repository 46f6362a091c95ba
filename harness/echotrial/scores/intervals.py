"""Intervals for a proportion: Wilson to show, Clopper-Pearson to guarantee.

On `scipy.special`, because a trial makes thousands of them and the distributions of `scipy.stats`
spend a millisecond on each.
"""

import math
from functools import cache
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

#: Two-sided confidence of what is shown; 1 - ALPHA is the one-sided confidence of a guarantee.
CONFIDENCE: Final = 0.95
ALPHA: Final = 0.05


class Interval(NamedTuple):
    """Both ends; NaN where there is no evidence."""

    low: float
    high: float


NO_INTERVAL: Final = Interval(np.nan, np.nan)


def wilson(k: float, n: float, confidence: float = CONFIDENCE) -> Interval:
    """Score interval of k out of n (E. B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209-212)."""
    if not n > 0:
        return NO_INTERVAL
    z = _normal((1 + confidence) / 2)
    centre = (k + z**2 / 2) / (n + z**2)
    reach = z / (n + z**2) * math.sqrt(k * (n - k) / n + z**2 / 4)
    return Interval(centre - reach if k > 0 else 0.0, centre + reach if k < n else 1.0)


@cache
def _normal(share: float) -> float:
    return float(special.ndtri(share))


def clopper_pearson(k: float, n: float, confidence: float = CONFIDENCE) -> Interval:
    """Exact two-sided interval (C. Clopper, E. Pearson, Biometrika 26 (1934) 404-413)."""
    alpha = (1 - confidence) / 2
    return Interval(float(lower_bound(k, n, alpha)), float(upper_bound(k, n, alpha)))


def lower_bound(k: ArrayLike, n: ArrayLike, alpha: ArrayLike = ALPHA) -> NDArray[np.float64]:
    """Exact one-sided lower bound of a proportion at confidence 1 - alpha; NaN where n = 0.

    Counts need not be whole: effective counts of clustered records are not.
    """
    k, n, alpha = (np.asarray(a, dtype=np.float64) for a in (k, n, alpha))
    found = special.betaincinv(np.where(k > 0, k, 1.0), n - k + 1, alpha)
    return np.where(n > 0, np.where(k > 0, found, 0.0), np.nan)


def upper_bound(k: ArrayLike, n: ArrayLike, alpha: ArrayLike = ALPHA) -> NDArray[np.float64]:
    """Exact one-sided upper bound of a proportion at confidence 1 - alpha; NaN where n = 0."""
    k, n = np.asarray(k, dtype=np.float64), np.asarray(n, dtype=np.float64)
    return 1 - lower_bound(n - k, n, alpha)
