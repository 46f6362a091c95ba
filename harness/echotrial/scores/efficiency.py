"""How near a detector comes to the best that the noise allows."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def efficiency(error_um: Floats, bound_um: Floats) -> tuple[float, int]:
    """Root-mean-square error over root-mean-square Cramer-Rao bound of the same records.

    Take hit, off and undecided readings: hits alone are truncated by the tolerance, and their
    error can come out below the bound. 1 is the best an unbiased estimator can do.

    Returns
    -------
    ratio, n
        NaN where no record has a bound; n records were used.
    """
    known = np.isfinite(bound_um) & (bound_um > 0) & np.isfinite(error_um)
    if not known.any():
        return float("nan"), 0
    return float(np.sqrt(np.sum(error_um[known] ** 2) / np.sum(bound_um[known] ** 2))), int(
        known.sum()
    )
