"""Wilcoxon's signed-rank test, the shift that belongs to it, and equivalence by it."""

from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from echotrial.scores.intervals import CONFIDENCE, NO_INTERVAL, Interval

Floats = NDArray[np.float64]
_HALVINGS = 60


def signed_rank(differences: Floats) -> float:
    """Two-sided p-value (F. Wilcoxon, Biometrics Bull. 1 (1945) 80-83), zeros left out.

    1 where nothing differs.
    """
    return _test(differences, "two-sided")


def equivalence(differences: Floats, margin: float) -> float:
    """p-value of two one-sided signed-rank tests that the shift is not within +-margin."""
    if margin <= 0:
        return 1.0
    return max(_test(differences + margin, "greater"), _test(differences - margin, "less"))


def _test(differences: Floats, alternative: Literal["two-sided", "less", "greater"]) -> float:
    moved = differences[differences != 0]
    if moved.size == 0:
        return 1.0
    return float(stats.wilcoxon(moved, alternative=alternative).pvalue)


def shift(differences: Floats) -> float:
    """Hodges-Lehmann estimate: the median of all Walsh averages (d_i + d_j) / 2, i <= j.

    J. Hodges, E. Lehmann, Ann. Math. Stat. 34 (1963) 598-611. To about 1e-15 of the spread.
    """
    n = differences.size
    if n == 0:
        return float("nan")
    pairs = n * (n + 1) // 2
    ordered = np.sort(differences)
    return (_walsh(ordered, (pairs + 1) // 2) + _walsh(ordered, pairs // 2 + 1)) / 2


def shift_interval(differences: Floats, confidence: float = CONFIDENCE) -> Interval:
    """The shifts that the test does not reject, by the normal law of its statistic."""
    n = differences.size
    if n < 2:
        return NO_INTERVAL
    pairs = n * (n + 1) // 2
    z = float(special.ndtri((1 + confidence) / 2))
    rank = round(pairs / 2 - z * np.sqrt(pairs * (2 * n + 1) / 12))
    rank = max(rank, 1)
    ordered = np.sort(differences)
    return Interval(_walsh(ordered, rank), _walsh(ordered, pairs + 1 - rank))


def _walsh(ordered: Floats, rank: int) -> float:
    """The Walsh average of this rank, found by halving, for there are n (n + 1) / 2 of them."""
    low, high = float(ordered[0]), float(ordered[-1])
    if low == high or _below(ordered, low) >= rank:
        return low
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        if _below(ordered, middle) >= rank:
            high = middle
        else:
            low = middle
    return high


def _below(ordered: Floats, value: float) -> int:
    """How many Walsh averages do not exceed `value`."""
    partners = np.searchsorted(ordered, 2 * value - ordered, side="right")
    itself = np.count_nonzero(ordered <= value)
    return (int(partners.sum()) + int(itself)) // 2
