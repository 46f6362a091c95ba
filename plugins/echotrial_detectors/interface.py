"""The interface echo among the candidates: near its nominal time and with the sign it must have."""

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.noise import fixed
from echotrial_detectors.peaks import Candidates, cosine_peak


@dataclass(eq=False)
class Interface:
    """Place (samples, NaN = not found) and signed height of the interface echo, (n,) each."""

    sample: NDArray[np.float64]
    amplitude: NDArray[np.float64]


def take_interface(
    candidates: Candidates, nominal: NDArray[np.float64], reach: float, sign: int
) -> Interface:
    """Take the strongest candidate near the nominal place, and all before it, off the list.

    Parameters
    ----------
    candidates
        Changed in place: what is left lies after the interface echo.
    nominal
        Sample where the echo should be, (n,).
    reach
        How far off it may be, in samples.
    sign
        +1, -1, or 0 for either.
    """
    place, height = np.full(nominal.shape, np.nan), np.full(nominal.shape, np.nan)
    _take(
        candidates.sample, candidates.amplitude, candidates.count, nominal, reach, sign, place,
        height,
    )  # fmt: skip
    return Interface(place, height)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _take(
    sample: NDArray[np.float64],
    amplitude: NDArray[np.float64],
    count: NDArray[np.int64],
    nominal: NDArray[np.float64],
    reach: float,
    sign: int,
    place: NDArray[np.float64],
    height: NDArray[np.float64],
) -> None:
    for row in range(nominal.size):
        best, size = -1, 0.0
        for i in range(count[row]):
            near = abs(sample[row, i] - nominal[row]) <= reach
            if near and amplitude[row, i] * sign >= 0 and abs(amplitude[row, i]) > size:
                best, size = i, abs(amplitude[row, i])
        if best < 0:
            continue
        place[row], height[row] = sample[row, best], amplitude[row, best]
        count[row] -= best + 1
        for i in range(count[row]):
            sample[row, i] = sample[row, best + 1 + i]
            amplitude[row, i] = amplitude[row, best + 1 + i]


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
