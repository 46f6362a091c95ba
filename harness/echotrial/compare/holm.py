"""Correction for asking many questions at once."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrial.compare.mcnemar import least_p


def holm(p: ArrayLike, differing: ArrayLike, level: float) -> NDArray[np.float64]:
    """Adjusted p-values, (m,), that keep the chance of any false rejection at `level`.

    S. Holm, Scand. J. Stat. 6 (1979) 65-70, over the questions that could be answered at all: a
    test of signs with too few differing records cannot reach the level whatever their signs, so it
    costs the others nothing (R. Tarone, Biometrics 46 (1990) 515-522). Its adjusted value is 1.

    Parameters
    ----------
    p, differing
        (m,) p-values and the differing records (or specimens) behind each.
    """
    p = np.asarray(p, dtype=np.float64)
    could = np.array([least_p(int(n)) <= level for n in np.atleast_1d(differing)], dtype=bool)
    adjusted = np.ones_like(p)
    adjusted[could] = _step_down(p[could])
    return adjusted


def _step_down(p: NDArray[np.float64]) -> NDArray[np.float64]:
    """The smallest times their number, the next times one less, and so on, never falling."""
    order = np.argsort(p)
    times = np.arange(p.size, 0, -1)
    found = np.empty_like(p)
    found[order] = np.minimum(1.0, np.maximum.accumulate(times * p[order]))
    return found
