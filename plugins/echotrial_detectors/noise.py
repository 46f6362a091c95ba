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
    from the quietest; a slow hum or an offset moves a stretch's mean, not its spread.
    """
    n, m = samples.shape
    length = min(STRETCH, m)
    count = m // length
    found = np.empty(n)
    spreads = np.empty(count)
    for row in range(n):
        for part in range(count):
            spreads[part] = _spread(samples[row, part * length : (part + 1) * length])
        spreads.sort()
        found[row] = spreads[int(QUIET_SHARE * (count - 1))]
    return found


@numba.njit(cache=True, nogil=True)
def _spread(stretch: NDArray[np.float32]) -> float:
    total = 0.0
    squares = 0.0
    for value in stretch:
        total += value
        squares += value * value
    mean = total / stretch.size
    return np.sqrt(max(squares / stretch.size - mean * mean, 0.0))
