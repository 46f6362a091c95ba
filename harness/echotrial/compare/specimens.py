"""Sums over specimens: several records of one specimen are no independent evidence."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def sums(unit: NDArray[np.intp], values: Floats) -> Floats:
    """Sum of values, (n,), over each specimen, (m,)."""
    return np.asarray(np.bincount(unit, values), dtype=np.float64)


def counts(unit: NDArray[np.intp]) -> Floats:
    """Records of each specimen, (m,)."""
    return np.asarray(np.bincount(unit), dtype=np.float64)
