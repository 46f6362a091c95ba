"""How thin a wall may be: guaranteed bin by bin, down from the thickest."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from echotrial.scores.intervals import ALPHA
from echotrial.scores.rates import at_least, at_most
from echotrial.scores.sampling import Bools, Sampling

Floats = NDArray[np.float64]
HIT_WANTED: Final = 0.90
#: Fewest records of a bin: 29 of 29 would do for 90 % at 95 % confidence, but one miss would not.
HIT_BIN: Final = 100
#: 299 records without a false lock are needed to guarantee 1 %.
LOCK_BIN: Final = 600
MAX_BINS: Final = 20


@dataclass(frozen=True)
class Limit:
    """The smallest wall above which every bin passes; NaN = not even the thickest does."""

    wall_m: float
    passed: int
    bins: int
    note: str


def hit_limit(
    wall_m: Floats, hit: Bools, sampling: Sampling, wanted: float = HIT_WANTED, alpha: float = ALPHA
) -> Limit:
    """Smallest wall above which every bin's lower bound of the hit rate is at least `wanted`.

    Parameters
    ----------
    wall_m, hit
        (n,) of the wall records of one detector, without undecided ones.
    """

    def passes(rows: Bools) -> bool:
        return at_least(hit, rows, sampling, alpha) >= wanted

    return _limit(wall_m, passes, HIT_BIN)


def lock_limit(
    wall_m: Floats, false_lock: Bools, sampling: Sampling, allowed: float, alpha: float = ALPHA
) -> Limit:
    """Smallest wall above which every bin's upper bound of the false locks is below `allowed`."""

    def passes(rows: Bools) -> bool:
        return at_most(false_lock, rows, sampling, alpha) < allowed

    return _limit(wall_m, passes, LOCK_BIN)


def _limit(wall_m: Floats, passes: Callable[[Bools], bool], per_bin: int) -> Limit:
    """Go down from the thickest bin of equal count to the first that fails.

    Each bin is tested at the full level: tests in an order fixed before, stopped at the first
    failure, keep the family's error without a correction (W. Maurer, L. Hothorn, W. Lehmacher,
    Biometrie in der chemisch-pharmazeutischen Industrie 6 (1995) 3-18; from memory).
    """
    n = min(MAX_BINS, wall_m.size // per_bin)
    if n == 0:
        return Limit(np.nan, 0, 0, f"no estimate: {wall_m.size} walls, {per_bin} wanted for a bin")
    edges = np.quantile(wall_m, np.linspace(0, 1, n + 1))
    which = np.searchsorted(edges[1:-1], wall_m, side="right")
    passed = 0
    for i in reversed(range(n)):
        rows = which == i
        if rows.any() and not passes(rows):
            break
        passed += 1
    if passed == 0:
        return Limit(np.nan, 0, n, "no estimate: the thickest bin fails")
    note = f"{passed} of {n} bins pass" if passed < n else f"all {n} bins pass: at or below"
    return Limit(float(edges[n - passed]), passed, n, note)
