"""Difference of two rates on the same records: score interval and equivalence.

T. Tango, Stat. Med. 17 (1998) 891-908: T(delta) = (b - c - n delta) / sqrt(n (2 q + delta (1 -
delta))), where q is the maximum-likelihood estimate of "event in A alone" under delta. Unlike
Wald's interval it has a width where nothing differs: z^2 / (n + z^2).
"""

import math
from typing import NamedTuple

from scipy import optimize, special

from echotrial.scores.intervals import CONFIDENCE, NO_INTERVAL, Interval

#: Differences of rates that are told apart.
_STEP = 1e-10


class Discordant(NamedTuple):
    """`more` pairs of `n` with the event in B alone, `fewer` with it in A alone.

    Counts need not be whole: effective counts of clustered records are not.
    """

    n: float
    more: float
    fewer: float

    @property
    def difference(self) -> float:
        """Rate in B less rate in A; NaN of no pairs."""
        return (self.more - self.fewer) / self.n if self.n else math.nan


def score(pairs: Discordant, delta: float) -> float:
    """Tango's statistic, standard normal where the difference is `delta`; falls as delta grows."""
    n, more, fewer = pairs
    minus_b = more + fewer - (2 * n - more + fewer) * delta
    c = -fewer * delta * (1 - delta)
    alone = (math.sqrt(max(minus_b**2 - 8 * n * c, 0.0)) + minus_b) / (4 * n)
    variance = n * (2 * alone + delta * (1 - delta))
    excess = more - fewer - n * delta
    if variance <= 0:
        return math.copysign(math.inf, excess) if excess else 0.0
    return excess / math.sqrt(variance)


def interval(pairs: Discordant, confidence: float = CONFIDENCE) -> Interval:
    """Two-sided interval of the difference, from -1 to 1; NaN of no pairs."""
    if not pairs.n > 0:
        return NO_INTERVAL
    z = float(special.ndtri((1 + confidence) / 2))
    return Interval(_solve(pairs, z), _solve(pairs, -z))


def _solve(pairs: Discordant, target: float) -> float:
    def miss(delta: float) -> float:
        return score(pairs, delta) - target

    low, high = -1 + _STEP, 1 - _STEP
    if miss(low) <= 0:
        return -1.0
    if miss(high) >= 0:
        return 1.0
    return float(optimize.brentq(miss, low, high, xtol=_STEP))


def equivalence(pairs: Discordant, margin: float) -> float:
    """p-value of two one-sided score tests that the difference is not within +-margin.

    Below alpha exactly where the 1 - 2 alpha interval lies inside the margin.
    """
    if not pairs.n > 0 or margin <= 0:
        return 1.0
    from_below = special.ndtr(-score(pairs, -margin))
    from_above = special.ndtr(score(pairs, margin))
    return float(max(from_below, from_above))
