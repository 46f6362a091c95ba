"""Echo candidates: interpolated extrema of a signal between two samples of each record."""

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.flags import WORD, flagged, room
from echotrial_detectors.noise import Survey, fixed, greatest_bits, loud_until

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

    @property
    def highest(self) -> NDArray[np.float64]:
        """Greatest modulus of each record's candidates, 0 where there is none, (n,)."""
        found = np.zeros(self.count.size)
        _highest(self.amplitude, self.count, found)
        return found


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _highest(
    amplitude: NDArray[np.float64], count: NDArray[np.int64], found: NDArray[np.float64]
) -> None:
    for row in range(count.size):
        for height in amplitude[row, : count[row]]:
            found[row] = max(found[row], abs(height))


@numba.njit(cache=True, nogil=True, error_model="numpy")
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


def strongest(
    signal: NDArray[np.float32], seen: Survey, first: NDArray[np.int64], last: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Greatest modulus of each record between two samples (the second one excluded), (n,).

    The survey of the signal tells that of each stretch between them.
    """
    found = np.empty(len(signal), np.float32)
    loudest = seen.loudest.view(np.int32)
    _strongest(
        fixed(signal).view(np.int32), loudest, seen.length, first, last, found.view(np.int32)
    )
    return found.astype(np.float64)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _strongest(
    bits: NDArray[np.int32],
    loudest: NDArray[np.int32],
    length: int,
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    found: NDArray[np.int32],
) -> None:
    for row in range(bits.shape[0]):
        begin, end, count = first[row], last[row], loudest.shape[1]
        low, high = (begin + length - 1) // length, end // length
        if high >= count:  # the last stretch holds the rest of the record
            high = count if end == bits.shape[1] else count - 1
        if low >= high:
            found[row] = greatest_bits(bits[row, begin:end])
            continue
        after = end if high == count else high * length
        most = greatest_bits(loudest[row, low:high])
        most = max(most, greatest_bits(bits[row, begin : low * length]))
        found[row] = max(most, greatest_bits(bits[row, after:end]))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def cosine_peak(left: float, centre: float, right: float) -> tuple[float, float]:
    """Shift (samples) and height of an extremum through which a cosine runs.

    With y = A cos(w (x - d)): cos w = (left + right) / (2 centre). Exact on a sinusoid, where a
    parabola is wrong by up to 0.016 (2 pi f0 / rate)^2 samples (Cespedes et al., Ultrason. Imaging
    17 (1995) 142). Where no cosine fits, the parabola is taken.
    """
    half_sum = 0.5 * (left + right) / centre
    if not -0.999 < half_sum < 0.999999:
        return parabola_peak(left, centre, right)
    quadrature = 0.5 * (right - left) / np.sqrt(1 - half_sum * half_sum)
    height = np.sqrt(centre * centre + quadrature * quadrature)
    shift = np.arctan(quadrature / centre) / np.arccos(half_sum)
    return shift, height if centre > 0 else -height


@numba.njit(cache=True, nogil=True, error_model="numpy")
def parabola_peak(left: float, centre: float, right: float) -> tuple[float, float]:
    """Shift (samples) and height of the extremum of the parabola through three samples."""
    bend = left - 2 * centre + right
    if bend == 0:
        return 0.0, centre
    shift = 0.5 * (left - right) / bend
    return shift, centre - 0.25 * (left - right) * shift


@numba.njit(cache=True, nogil=True, error_model="numpy")
def find_extrema(
    signal: NDArray[np.float32],
    loudest: NDArray[np.float32],
    length: int,
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    level: NDArray[np.float64],
    separation: int,
    sample: NDArray[np.float64],
    amplitude: NDArray[np.float64],
    count: NDArray[np.int64],
) -> None:
    """Fill in the extrema of a signed signal whose modulus exceeds `level`, by a parabola.

    Of extrema nearer than `separation` samples to each other the greater one stays. `loudest` and
    `length`, as in `noise.Survey`, tell from where on nothing exceeds the level.
    """
    flags, places = room(signal.shape[1]), np.empty(signal.shape[1] + WORD, np.int64)
    for row in range(signal.shape[0]):
        line, here = signal[row], 0
        begin = first[row] if first[row] > 1 else 1
        stop = min(last[row], line.size - 1, loud_until(loudest[row], length, level[row]))
        n = stop - begin if stop > begin else 0
        if n > 0:
            _flag_extrema(line[begin - 1 : stop + 1], np.float32(level[row]), flags)
        for at in places[: flagged(flags, n, places)]:
            k = begin + at
            shift, height = parabola_peak(line[k - 1], line[k], line[k + 1])
            if here and k - sample[row, here - 1] < separation:
                if abs(height) <= abs(amplitude[row, here - 1]):
                    continue
                here -= 1
            if here == sample.shape[1]:
                break
            sample[row, here] = k + shift
            amplitude[row, here] = height
            here += 1
        count[row] = here


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _flag_extrema(line: NDArray[np.float32], floor: np.float32, flags: NDArray[np.uint8]) -> None:
    """Flag the extrema above a level among all samples but the outermost."""
    left, centre, right = line[:-2], line[1:-1], line[2:]
    for i in range(right.size):
        value = centre[i]
        rises, falls = value * (value - left[i]) >= 0, value * (value - right[i]) > 0
        flags[i] = (abs(value) > floor) & rises & falls


@numba.njit(cache=True, nogil=True, error_model="numpy")
def refine_extrema(
    signal: NDArray[np.float32],
    sample: NDArray[np.float64],
    amplitude: NDArray[np.float64],
    count: NDArray[np.int64],
) -> None:
    """Lay a cosine through each extremum in place of the parabola."""
    for row in range(signal.shape[0]):
        line = signal[row]
        for k in range(count[row]):
            i = int(sample[row, k] + 0.5)
            shift, height = cosine_peak(float(line[i - 1]), float(line[i]), float(line[i + 1]))
            sample[row, k] = i + shift
            amplitude[row, k] = height


@numba.njit(cache=True, nogil=True, error_model="numpy")
def drop_side_lobes(
    sample: NDArray[np.float64],
    amplitude: NDArray[np.float64],
    count: NDArray[np.int64],
    lobes: NDArray[np.float64],
    keep: NDArray[np.bool_],
) -> None:
    """Take out every candidate that a stronger one explains.

    Parameters
    ----------
    lobes
        Greatest height that one echo of height 1 may leave at each lag, in samples;
        odd length, lag 0 in the middle.
    keep
        Room to work in, one for each place in a row of `sample`.
    """
    reach = lobes.size // 2
    for row in range(sample.shape[0]):
        n = count[row]
        for i in range(n):
            keep[i] = True
        for i in range(n):
            place, size = sample[row, i], abs(amplitude[row, i])
            for j in range(i + 1, n):
                lag = int(sample[row, j] - place)  # towards lag 0: the higher lobe
                if lag > reach:
                    break
                other = abs(amplitude[row, j])
                if other > size:
                    if size < other * lobes[reach - lag]:
                        keep[i] = False
                elif other < size and other < size * lobes[reach + lag]:
                    keep[j] = False
        here = 0
        for i in range(n):
            if keep[i]:
                sample[row, here] = sample[row, i]
                amplitude[row, here] = amplitude[row, i]
                here += 1
        count[row] = here
