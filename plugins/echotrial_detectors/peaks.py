"""Echo candidates: interpolated extrema of a signal between two samples of each record."""

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

#: Candidates kept of one record, the earliest ones; side lobes count until they are dropped.
MOST = 96


@dataclass(eq=False)
class Candidates:
    """Possible echoes of each record, in order of time.

    Attributes
    ----------
    sample
        Position in samples from the record's start, float64 (n, MOST).
    amplitude
        Signed height there, float64 (n, MOST).
    count
        How many there are, int64 (n,).
    """

    sample: NDArray[np.float64]
    amplitude: NDArray[np.float64]
    count: NDArray[np.int64]

    @classmethod
    def none(cls, n: int) -> "Candidates":
        """Room for the candidates of n records."""
        return cls(np.empty((n, MOST)), np.empty((n, MOST)), np.zeros(n, np.int64))


@numba.njit(cache=True, nogil=True)
def keep_between(
    sample: NDArray[np.float64],
    amplitude: NDArray[np.float64],
    count: NDArray[np.int64],
    start: NDArray[np.float64],
    stop: NDArray[np.float64],
) -> None:
    """Take out every candidate outside the gate of its record."""
    for row in range(sample.shape[0]):
        here = 0
        for i in range(count[row]):
            if start[row] <= sample[row, i] <= stop[row]:
                sample[row, here] = sample[row, i]
                amplitude[row, here] = amplitude[row, i]
                here += 1
        count[row] = here


@numba.njit(cache=True, nogil=True, fastmath={"reassoc", "nsz"})
def strongest(
    signal: NDArray[np.float32], first: NDArray[np.int64], last: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Greatest modulus of each record between two samples (the second one excluded), (n,)."""
    found = np.zeros(signal.shape[0])
    for row in range(signal.shape[0]):
        most = np.float32(0)
        for value in signal[row, first[row] : last[row]]:
            most = max(most, abs(value))
        found[row] = most
    return found


@numba.njit(cache=True, nogil=True)
def cosine_peak(left: float, centre: float, right: float) -> tuple[float, float]:
    """Shift (samples) and height of an extremum through which a cosine runs.

    With y = A cos(w (x - d)): cos w = (left + right) / (2 centre). Exact on a sinusoid, where a
    parabola is wrong by up to 0.016 (2 pi f0 / rate)^2 samples (Cespedes et al., Ultrason. Imaging
    17 (1995) 142). Where no cosine fits, the parabola is taken.
    """
    half_sum = 0.5 * (left + right) / centre
    if not -0.999 < half_sum < 0.999999:
        return parabola_peak(left, centre, right)
    sine = np.sqrt(1 - half_sum * half_sum)
    quadrature = 0.5 * (right - left) / sine
    turn = np.arctan2(quadrature, centre) if centre > 0 else np.arctan2(-quadrature, -centre)
    height = np.sqrt(centre * centre + quadrature * quadrature)
    return turn / np.arccos(half_sum), height if centre > 0 else -height


@numba.njit(cache=True, nogil=True)
def parabola_peak(left: float, centre: float, right: float) -> tuple[float, float]:
    """Shift (samples) and height of the extremum of the parabola through three samples."""
    bend = left - 2 * centre + right
    if bend == 0:
        return 0.0, centre
    shift = 0.5 * (left - right) / bend
    return shift, centre - 0.25 * (left - right) * shift


@numba.njit(cache=True, nogil=True)
def find_extrema(
    signal: NDArray[np.float32],
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    level: NDArray[np.float64],
    separation: int,
    sample: NDArray[np.float64],
    amplitude: NDArray[np.float64],
    count: NDArray[np.int64],
) -> None:
    """Fill in the extrema of a signed signal whose modulus exceeds `level`, cosine-interpolated.

    Of extrema nearer than `separation` samples to each other the greater one stays.
    """
    for row in range(signal.shape[0]):
        line = signal[row]
        here = 0
        for i in range(max(first[row], 1), min(last[row], line.size - 1)):
            size = abs(line[i])
            if size > level[row] and size >= _along(line, i, -1) and size > _along(line, i, 1):
                shift, height = cosine_peak(line[i - 1], line[i], line[i + 1])
                if here and i - sample[row, here - 1] < separation:
                    if abs(height) <= abs(amplitude[row, here - 1]):
                        continue
                    here -= 1
                if here == sample.shape[1]:
                    break
                sample[row, here] = i + shift
                amplitude[row, here] = height
                here += 1
        count[row] = here


@numba.njit(cache=True, nogil=True)
def _along(line: NDArray[np.float32], i: int, step: int) -> float:
    """The neighbour, counted in the direction of sample i."""
    return float(line[i + step] if line[i] > 0 else -line[i + step])


@numba.njit(cache=True, nogil=True)
def drop_side_lobes(
    sample: NDArray[np.float64],
    amplitude: NDArray[np.float64],
    count: NDArray[np.int64],
    lobes: NDArray[np.float64],
) -> None:
    """Take out every candidate that a stronger one explains.

    Parameters
    ----------
    lobes
        Greatest height that one echo of height 1 may leave at each lag, in samples;
        odd length, lag 0 in the middle.
    """
    keep = np.empty(sample.shape[1], np.bool_)
    for row in range(sample.shape[0]):
        n = count[row]
        for i in range(n):
            keep[i] = not _is_lobe(sample[row, :n], amplitude[row, :n], i, lobes)
        here = 0
        for i in range(n):
            if keep[i]:
                sample[row, here] = sample[row, i]
                amplitude[row, here] = amplitude[row, i]
                here += 1
        count[row] = here


@numba.njit(cache=True, nogil=True)
def _is_lobe(
    sample: NDArray[np.float64], amplitude: NDArray[np.float64], i: int, lobes: NDArray[np.float64]
) -> bool:
    reach = lobes.size // 2
    size = abs(amplitude[i])
    for step in (-1, 1):
        j = i + step
        while 0 <= j < sample.size:
            lag = int(sample[i] - sample[j])  # towards lag 0: the higher lobe
            if abs(lag) > reach:
                break
            other = abs(amplitude[j])
            if other > size and size < other * lobes[reach + lag]:
                return True
            j += step
    return False
