"""Correction for asking many questions at once."""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from statsmodels.stats.multitest import multipletests

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
    if could.any():
        adjusted[could] = multipletests(p[could], alpha=level, method="holm")[1]
    return adjusted
