"""Echo candidates: interpolated extrema of a signal between two samples of each record."""

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.flags import flagged
from echotrial_detectors.kernels import COUNTS_NOTHING
from echotrial_detectors.noise import Loudness, fixed, greatest_bits, loud_until

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


@numba.njit(cache=True, nogil=True, error_model="numpy")
def keep_between(
    place: NDArray[np.float64], height: NDArray[np.float64], n: int, start: float, stop: float
) -> int:
    """Take out every one of a record's n candidates outside its gate; gives how many stay."""
    here = 0
    for i in range(n):
        inside = start <= place[i] <= stop
        place[here], height[here] = place[i], height[i]
        here += inside
    return here


def strongest(
    signal: NDArray[np.float32], seen: Loudness, first: NDArray[np.int64], last: NDArray[np.int64]
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


@numba.njit(**COUNTS_NOTHING)
def _strongest(
    bits: NDArray[np.int32],
    loudest: NDArray[np.int32],
    length: int,
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    found: NDArray[np.int32],
) -> None:
    for row in range(bits.shape[0]):
        found[row] = strongest_bits(bits[row], loudest[row], length, first[row], last[row])


@numba.njit(cache=True, nogil=True, error_model="numpy")
def strongest_bits(
    bits: NDArray[np.int32], loudest: NDArray[np.int32], length: int, begin: int, end: int
) -> np.int32:
    """Bits of a record's greatest modulus between two samples; `loudest` as in `noise.Survey`."""
    count = loudest.size
    low, high = (begin + length - 1) // length, end // length
    if high >= count:  # the last stretch holds the rest of the record
        high = count if end == bits.size else count - 1
    if low >= high:
        return greatest_bits(bits[begin:end])
    after = end if high == count else high * length
    most = max(greatest_bits(loudest[low:high]), greatest_bits(bits[begin : low * length]))
    return max(most, greatest_bits(bits[after:end]))


@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"})
def arctan(y: float, x: float) -> float:
    """Arc tangent of y / x to 2e-8 (Abramowitz, Stegun, 4.4.49, from memory); both at least 0.

    The mathematical library's takes ten times as long and runs in no lanes.
    """
    steep = y > x
    small = (x if steep else y) / (y if steep else x)
    s = small * small
    high = 0.0429096138 + s * (-0.0161657367 + s * 0.0028662257)
    middle = -0.1420889944 + s * (0.1065626393 + s * (-0.0752896400 + s * high))
    turn = small * (1 + s * (-0.3333314528 + s * (0.1999355085 + s * middle)))
    return 0.5 * np.pi - turn if steep else turn


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


@numba.njit(**COUNTS_NOTHING)
def find_extrema(
    signal: NDArray[np.float32],
    loudest: NDArray[np.float32],
    length: int,
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    level: NDArray[np.float64],
    separation: int,
    flags: NDArray[np.uint8],
    places: NDArray[np.int64],
    sample: NDArray[np.float64],
    amplitude: NDArray[np.float64],
    count: NDArray[np.int64],
) -> None:
    """Fill in the extrema of a signed signal whose modulus exceeds `level`, by a parabola.

    Of extrema nearer than `separation` samples to each other the greater one stays. `loudest` and
    `length`, as in `noise.Survey`, tell from where on nothing exceeds the level; `flags` and
    `places` are from `flags.room`.
    """
    for row in range(signal.shape[0]):
        line, here = signal[row], 0
        begin = first[row] if first[row] > 1 else 1
        stop = min(last[row], line.size - 1, loud_until(loudest[row], length, level[row]))
        n = stop - begin if stop > begin else 0
        if n > 0:
            flag_extrema(line[begin - 1 : stop + 1], np.float32(level[row]), flags)
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
def flag_extrema(line: NDArray[np.float32], floor: np.float32, flags: NDArray[np.uint8]) -> None:
    """Flag the extrema above a level among all samples but the outermost."""
    left, centre, right = line[:-2], line[1:-1], line[2:]
    for i in range(right.size):
        value = centre[i]
        rises, falls = value * (value - left[i]) >= 0, value * (value - right[i]) > 0
        flags[i] = (abs(value) > floor) & rises & falls


@numba.njit(cache=True, nogil=True, error_model="numpy")
def refine_extrema(
    line: NDArray[np.float32], place: NDArray[np.float64], height: NDArray[np.float64], n: int
) -> None:
    """Lay a cosine through each of a record's n extrema in place of the parabola."""
    for k in range(n):
        i = int(place[k] + 0.5)
        shift, top = cosine_peak(float(line[i - 1]), float(line[i]), float(line[i + 1]))
        place[k], height[k] = i + shift, top


@numba.njit(cache=True, nogil=True, error_model="numpy")
def drop_side_lobes(
    place: NDArray[np.float64],
    height: NDArray[np.float64],
    n: int,
    lobes: NDArray[np.float64],
    keep: NDArray[np.bool_],
) -> int:
    """Take out every one of a record's n candidates that a stronger one explains; gives the rest.

    Parameters
    ----------
    lobes
        Greatest height that one echo of height 1 may leave at each lag, in samples;
        odd length, lag 0 in the middle.
    keep
        Room to work in, one for each place in `place`.
    """
    reach = lobes.size // 2
    for i in range(n):
        keep[i] = True
    for i in range(n):  # which of two is the greater one cannot be foreseen: no branch hangs on it
        here, size, alone = place[i], abs(height[i]), True
        for j in range(i + 1, n):
            lag = int(place[j] - here)  # towards lag 0: the higher lobe
            if lag > reach:
                break
            other = abs(height[j])
            alone &= not ((other > size) & (size < other * lobes[reach - lag]))
            keep[j] &= not ((other < size) & (other < size * lobes[reach + lag]))
        keep[i] &= alone
    here = 0
    for i in range(n):
        place[here], height[here] = place[i], height[i]
        here += 1 if keep[i] else 0
    return here
