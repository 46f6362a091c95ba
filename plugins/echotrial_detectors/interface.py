"""The interface echo among the candidates: near its nominal time and with the sign it must have."""

import numba
import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.noise import fixed
from echotrial_detectors.peaks import cosine_peak


@numba.njit(cache=True, nogil=True, error_model="numpy")
def interface_among(
    place: NDArray[np.float64],
    height: NDArray[np.float64],
    n: int,
    nominal: float,
    reach: float,
    sign: int,
) -> int:
    """Which of a record's n candidates is the interface echo, -1 = none.

    The strongest one near the nominal place: what comes before it is no echo of the wall.

    Parameters
    ----------
    nominal
        Sample where the echo should be.
    reach
        How far off it may be, in samples.
    sign
        +1, -1, or 0 for either.
    """
    best, size = -1, 0.0
    for i in range(n):
        near = abs(place[i] - nominal) <= reach
        if near and height[i] * sign >= 0 and abs(height[i]) > size:
            best, size = i, abs(height[i])
    return best


def find_interface(
    signal: NDArray[np.float32], nominal: NDArray[np.float64], reach: float, sign: int
) -> NDArray[np.float64]:
    """Place of the greatest sample of a sign (0: of either) near the nominal one, interpolated.

    The nominal place itself where the record does not reach that far, (n,).
    """
    found = nominal.copy()
    _find(fixed(signal), reach, sign, found)
    return found


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _find(signal: NDArray[np.float32], reach: float, sign: int, found: NDArray[np.float64]) -> None:
    """Move each place in `found` to where the echo is."""
    for row in range(found.size):
        line = signal[row]
        first, last = int(found[row] - reach), int(found[row] + reach) + 1
        first = first if first > 1 else 1
        last = last if last < line.size - 1 else line.size - 1
        best, most = -1, np.float32(0)
        for i in range(first, last):
            height = -line[i] if sign < 0 or (sign == 0 and line[i] < 0) else line[i]
            if height > most:
                best, most = i, height
        if best > 0:
            left, centre, right = line[best - 1], line[best], line[best + 1]
            found[row] = best + cosine_peak(float(left), float(centre), float(right))[0]
