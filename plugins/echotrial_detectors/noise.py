"""How loud the noise is, from the record itself."""

import numba
import numpy as np
from numpy.typing import NDArray

#: Samples in one stretch whose spread is taken.
STRETCH = 64
#: The stretch that counts, from the quietest: low enough to lie between echoes on most records,
#: not the very quietest, which is quiet by chance.
QUIET_SHARE = 0.25


@numba.njit(cache=True, nogil=True)
def noise_sigma(samples: NDArray[np.float32]) -> NDArray[np.float64]:
    """Standard deviation of the noise of each record, (n,), same unit as the samples.

    The root-mean-square about the mean in stretches of `STRETCH` samples, a quarter of the way up
    from the quietest; a slow hum or an offset moves a stretch's mean, not its spread. NaN where a
    record has a sample that is NaN or infinite.
    """
    n, m = samples.shape
    length = min(STRETCH, m)
    count = m // length
    found = np.empty(n)
    spreads = np.empty(count)
    for row in range(n):
        total = 0.0
        for part in range(count):
            end = m if part == count - 1 else (part + 1) * length
            spreads[part] = _variance(samples[row, part * length : end])
            total += spreads[part]
        spreads.sort()
        found[row] = np.sqrt(max(spreads[int(QUIET_SHARE * (count - 1))], 0.0))
        if not np.isfinite(total):
            found[row] = np.nan
    return found


# Sums may be taken in any order, so that they run several lanes wide; NaN stays NaN.
@numba.njit(cache=True, nogil=True, fastmath={"reassoc", "contract"})
def _variance(stretch: NDArray[np.float32]) -> float:
    total = np.float32(0.0)
    squares = np.float32(0.0)
    for i in range(stretch.size):
        value = stretch[i] - stretch[0]
        total += value
        squares += value * value
    return float((squares - total * total / stretch.size) / stretch.size)
