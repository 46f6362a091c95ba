"""How loud the noise is, from the record itself, and where the record is loud at all."""

import math
from dataclasses import dataclass

import numba
import numpy as np
import scipy
from numpy.typing import NDArray

from echotrial_detectors.kernels import COUNTS_NOTHING

#: Samples in one stretch whose spread is taken.
STRETCH = 64
#: The stretch that counts, from the quietest: low enough to lie between echoes on most records,
#: not the very quietest, which is quiet by chance.
QUIET_SHARE = 0.25

#: A reading that hangs on one echo alone is due to noise in this share of records at most.
FALSE_ALARM = 1e-3

#: Bits of a float32 but its sign, and those of infinity: what is not below is no number.
MODULUS, _INFINITE = np.int32(0x7FFFFFFF), np.int32(0x7F800000)
#: Greater than the bits of any number.
_NO_BITS = np.int32(0x7FFFFFFF)


@dataclass(frozen=True, eq=False)
class Loudness:
    """Where records are loud.

    Attributes
    ----------
    loudest
        Greatest modulus in each stretch, float32 (n, count); the last stretch holds the rest.
    length
        Samples of a stretch.
    """

    loudest: NDArray[np.float32]
    length: int


@dataclass(frozen=True, eq=False)
class Survey(Loudness):
    """What one pass over records tells.

    Attributes
    ----------
    sigma
        Standard deviation of the noise, (n,), as `noise_sigma`.
    """

    sigma: NDArray[np.float64]


def survey(samples: NDArray[np.float32]) -> Survey:
    """Look at each stretch of each record once."""
    surveyor = Surveyor(*samples.shape)
    surveyor.look(samples, slice(None))
    return surveyor.survey()


@dataclass(frozen=True, eq=False)
class Stretches:
    """Variance and greatest modulus of each stretch of some records, float32 (n, count) each."""

    spread: NDArray[np.float32]
    loudest: NDArray[np.float32]
    length: int

    @classmethod
    def room(cls, n: int, m: int) -> "Stretches":
        """Room for those of n records of m samples."""
        length = min(STRETCH, m)
        spread, loudest = np.empty((2, n, m // length), np.float32)
        return cls(spread, loudest, length)

    @classmethod
    def of(cls, samples: NDArray[np.float32]) -> "Stretches":
        """Look at each record once; `samples` is read-only."""
        found = cls.room(*samples.shape)
        bits = found.loudest.view(np.int32)
        _survey(samples, samples.view(np.int32), found.length, found.spread, bits)
        return found


class Surveyor:
    """Makes a survey of n records of m samples portion by portion, while each is at hand."""

    def __init__(self, n: int, m: int) -> None:
        self._length = min(STRETCH, m)
        self._spread = np.empty((n, m // self._length), np.float32)
        self._loudest = np.empty_like(self._spread)

    def look(self, samples: NDArray[np.float32], rows: slice) -> Loudness:
        """Look at the records of these rows."""
        same, loudest = fixed(samples), self._loudest[rows]
        bits = loudest.view(np.int32)
        _survey(same, same.view(np.int32), self._length, self._spread[rows], bits)
        return Loudness(loudest, self._length)

    def survey(self) -> Survey:
        """What was seen, once all rows have been looked at."""
        quiet = np.sort(self._spread, axis=1)[:, int(QUIET_SHARE * (self._spread.shape[1] - 1))]
        sigma = np.sqrt(np.maximum(quiet, 0.0), dtype=np.float64)
        return Survey(self._loudest, self._length, sigma)


def noise_sigma(samples: NDArray[np.float32]) -> NDArray[np.float64]:
    """Standard deviation of the noise of each record, (n,), same unit as the samples.

    The root-mean-square about the mean in stretches of `STRETCH` samples, a quarter of the way up
    from the quietest; a slow hum or an offset moves a stretch's mean, not its spread. NaN where a
    record has a sample that is NaN or infinite.
    """
    return survey(samples).sigma


def noise_peak(n_samples: int, n_stretches: int, bandwidth: float) -> float:
    """How many estimated sigma the noise of one record exceeds with `FALSE_ALARM` probability.

    The largest of N independent Rayleigh amplitudes is above sigma sqrt(2 ln(N / p)) with
    probability p (for amplitudes of a Gaussian that is an upper bound: erfc(x) < exp(-x^2);
    Papoulis, Probability, Random Variables and Stochastic Processes, order statistics, from
    memory). `noise_sigma` is too low by chance, as it is a low order statistic of variances over
    few degrees of freedom, 2 B T of a stretch: the chi-square quantile at its median rank
    (i - 0.3) / (n + 0.4) (Benard's approximation, from memory) tells by how much.

    Parameters
    ----------
    n_samples
        In which a peak may lie.
    n_stretches
        Of which the quietest count.
    bandwidth
        Of the noise, in cycles a sample.
    """
    freedom = max(2 * bandwidth * STRETCH, 1.0)
    rank = int(QUIET_SHARE * (n_stretches - 1)) + 1
    quantile = scipy.special.gammaincinv(freedom / 2, (rank - 0.3) / (n_stretches + 0.4))
    shrunk = math.sqrt(2 * quantile / freedom)
    return math.sqrt(2 * math.log(max(n_samples, 1) / FALSE_ALARM)) / max(shrunk, 0.2)


def fixed(samples: NDArray[np.float32]) -> NDArray[np.float32]:
    """The same samples in a row and read-only, so that a kernel is compiled for one kind only."""
    view = np.ascontiguousarray(samples).view()
    view.flags.writeable = False
    return view


@numba.njit(**COUNTS_NOTHING)
def _survey(
    samples: NDArray[np.float32],
    bits: NDArray[np.int32],
    length: int,
    spread: NDArray[np.float32],
    loudest: NDArray[np.int32],
) -> None:
    for row in range(samples.shape[0]):
        survey_line(samples[row], bits[row], length, spread[row], loudest[row])


@numba.njit(cache=True, nogil=True, error_model="numpy")
def survey_line(
    line: NDArray[np.float32],
    bits: NDArray[np.int32],
    length: int,
    spread: NDArray[np.float32],
    loudest: NDArray[np.int32],
) -> None:
    """Variance and bits of the greatest modulus of each stretch; NaN where a sample is no number.

    `bits` are those of the record.
    """
    count, most = spread.size, np.int32(0)
    for part in range(count):
        begin = part * length
        end = line.size if part == count - 1 else begin + length
        stretch, modulus = line[begin:end], bits[begin:end]
        if stretch.size == STRETCH:
            spread[part], loud = _whole_stretch(stretch, modulus)
        else:
            spread[part], loud = _stretch(stretch, modulus, stretch.size)
        loudest[part] = loud
        most = loud if loud > most else most
    if most >= _INFINITE:
        spread[:] = np.nan


# Sums may be taken in any order, so that they run several lanes wide; NaN stays NaN. The bits of
# a modulus are in order as integers are: their greatest is found several lanes wide too.
@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract"})
def _stretch(
    stretch: NDArray[np.float32], modulus: NDArray[np.int32], n: int
) -> tuple[np.float32, np.int32]:
    base, loud = stretch[0], np.int32(0)
    total, squares = np.float32(0), np.float32(0)
    for i in range(n):
        value = stretch[i] - base
        total += value
        squares += value * value
        size = np.int32(modulus[i] & MODULUS)
        loud = size if size > loud else loud
    share = np.float32(1) / np.float32(n)
    variance = (squares - total * total * share) * share
    return variance if variance > 0 else np.float32(0), loud


@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract"})
def _whole_stretch(
    stretch: NDArray[np.float32], modulus: NDArray[np.int32]
) -> tuple[np.float32, np.int32]:
    """`_stretch` for a number of samples that the compiler knows, at half the cost."""
    base, loud = stretch[0], np.int32(0)
    total, squares = np.float32(0), np.float32(0)
    for i in range(STRETCH):
        value = stretch[i] - base
        total += value
        squares += value * value
        size = np.int32(modulus[i] & MODULUS)
        loud = size if size > loud else loud
    variance = (squares - total * total / np.float32(STRETCH)) / np.float32(STRETCH)
    return variance if variance > 0 else np.float32(0), loud


@numba.njit(cache=True, nogil=True, error_model="numpy")
def quiet_sigma(bits: NDArray[np.int32], found: NDArray[np.float32]) -> float:
    """Standard deviation of the stretch of rank `QUIET_SHARE`, from the variances of all.

    `bits` are those of the variances, in the order of which they are; `found`, (1,), is room. The
    variance of a rank is the greatest one than which no more are less: for the few stretches of a
    record counting them, many lanes wide and without a branch, beats sorting.
    """
    rank, most = np.int32(QUIET_SHARE * (bits.size - 1)), np.int32(0)
    for i in range(bits.size):
        value, less = bits[i], np.int32(0)
        for k in range(bits.size):
            less += np.int32(bits[k] < value)
        most = value if (less <= rank) & (value > most) else most
    found.view(np.int32)[0] = most
    return float(np.sqrt(float(found[0])))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def loud_until(loudest: NDArray[np.float32], length: int, level: float) -> int:
    """End, in samples, of the last whole stretch of a record that exceeds a level; 0 = none.

    Parameters
    ----------
    loudest, length
        As in `Survey`, of one record. The last stretch, which holds the rest, has no end.
    """
    part = loudest.size
    while part > 0 and not loudest[part - 1] > level:
        part -= 1
    return part * length if part < loudest.size else np.iinfo(np.int64).max


@numba.njit(cache=True, nogil=True, error_model="numpy")
def greatest_bits(bits: NDArray[np.int32]) -> np.int32:
    """Bits of the greatest modulus, 0 where there is no sample.

    The bits of a modulus are in order as integers are: so it is found several lanes wide.
    """
    most = np.int32(0)
    for i in range(bits.size):
        size = np.int32(bits[i] & MODULUS)
        if size > most:
            most = size
    return most
