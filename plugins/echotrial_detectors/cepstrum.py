"""The weighted cepstrum of gated records, and its peaks: what the detector `cepstral` goes by."""

from dataclasses import dataclass

import numba
import numpy as np
import scipy
from numpy.typing import NDArray

from echotrial_detectors.kernels import COUNTS_NOTHING
from echotrial_detectors.noise import fixed
from echotrial_detectors.peaks import parabola_peak


@dataclass(frozen=True, eq=False)
class Band:
    """What depends on the batch's length and rate alone.

    Attributes
    ----------
    transfer
        What makes a record's spectrum that of its sharpened correlation.
    tail
        Samples that a sharpened echo takes to die away.
    length
        Of the transforms to quefrency, at least twice the greatest spacing.
    log_pulse
        Logarithm of one echo's spectrum after `transfer`, (length // 2 + 1,).
    weight
        Of each frequency, sum 1.
    trend
        Orthonormal under `weight`, (TREND_ORDER + 1, length // 2 + 1).
    centre_hz
        Mean frequency under `weight`.
    fade
        What each sample from the gate's start on is multiplied by, as many as hold anything; an
        exponential keeps a geometric series geometric, so that the record's end cuts nothing off.
    """

    transfer: NDArray[np.complex64]
    tail: int
    length: int
    log_pulse: NDArray[np.float32]
    weight: NDArray[np.float32]
    trend: NDArray[np.float32]
    centre_hz: float
    fade: NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Scale:
    """What to add to a place, at some places in order; nothing beyond them, none where empty."""

    place: NDArray[np.float64]
    more: NDArray[np.float64]

    def right(self, place: NDArray[np.float64]) -> NDArray[np.float64]:
        """The places put right, (n,)."""
        if self.place.size == 0:
            return place
        return place + np.interp(place, self.place, self.more, left=0, right=0)


def gate_records(
    signal: NDArray[np.float32],
    start: NDArray[np.float64],
    fade: NDArray[np.float32],
    rise: float,
    length: int,
) -> NDArray[np.float32]:
    """Records from `start` on, that sample first, faded in over `rise` samples, times `fade`.

    (n, length): nothing stands behind the fade.
    """
    gated = np.empty((len(signal), length), np.float32)
    _gate(fixed(signal), start, fade, rise, gated)
    return gated


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _gate(
    signal: NDArray[np.float32],
    start: NDArray[np.float64],
    fade: NDArray[np.float32],
    rise: float,
    gated: NDArray[np.float32],
) -> None:
    for row in range(signal.shape[0]):
        first = int(np.ceil(start[row])) if start[row] > 0 else 0
        line, open_ = signal[row, first:], gated[row]
        count = line.size if line.size < fade.size else fade.size
        for i in range(count):
            open_[i] = line[i] * fade[i]
        open_[count:] = 0
        for i in range(count):
            ramp = first + i - start[row]
            if not ramp < rise:
                break
            open_[i] *= np.float32(ramp / rise)


def weighted_cepstrum(gated: NDArray[np.float32], band: Band) -> NDArray[np.complex64]:
    """One-sided cepstrum over the pulse's: 2 sum_f w (log|X| - log|P| - trend) exp(-2 pi j f q).

    Scaled so that a series of echoes each q times the one before has modulus q at its spacing, and
    phase 0 there (pi where signs alternate). The sign of the exponent is that of a transform of
    real values, which the ripple has: at half the cost of a complex one, quefrencies up to half the
    length. Returns (n, length // 2 + 1).
    """
    spectrum = scipy.fft.rfft(gated, axis=1)
    padded = np.zeros((len(gated), band.length), np.float32)
    ripple = padded[:, : spectrum.shape[1]]
    _power(spectrum, padded)
    np.log(ripple, out=ripple)
    weighted_ripple(padded, band.log_pulse, band.weight, band.trend)
    return np.asarray(scipy.fft.rfft(padded, axis=1))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _power(spectrum: NDArray[np.complex64], out: NDArray[np.float32]) -> None:
    for row in range(spectrum.shape[0]):
        line, into = spectrum[row], out[row]
        for i in range(line.size):
            into[i] = line[i].real * line[i].real + line[i].imag * line[i].imag + np.float32(1e-30)


@numba.njit(
    cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract", "nsz"}
)  # fmt: skip
def weighted_ripple(
    ripple: NDArray[np.float32],
    log_pulse: NDArray[np.float32],
    weight: NDArray[np.float32],
    trend: NDArray[np.float32],
) -> None:
    """In place of each power's logarithm twice the weighted one of its root over the pulse's.

    Less its trend; what stands behind as many values as there are weights stays.
    """
    for row in range(ripple.shape[0]):
        line = ripple[row, : weight.size]
        for i in range(line.size):
            line[i] = np.float32(0.5) * line[i] - log_pulse[i]
        for k in range(trend.shape[0]):
            slope, part = trend[k], np.float32(0.0)
            for i in range(line.size):
                part += line[i] * weight[i] * slope[i]
            for i in range(line.size):
                line[i] -= part * slope[i]
        for i in range(line.size):
            line[i] *= np.float32(2) * weight[i]


def cepstral_peaks(
    cepstrum: NDArray[np.complex64], low: float, high: float, turn: float, sign: int
) -> NDArray[np.float64]:
    """Place (samples, NaN = none), height, best rival's height and tilt (periods) of each peak.

    The place is where the carrier is upright, `tilt` after the envelope's peak: a ripple of the
    sign asked for has phase 0 (or pi) at its spacing. A rival is a peak more than a period away
    and not near a multiple of the place. (4, n).

    Parameters
    ----------
    low, high
        Quefrencies between which the peak lies, in samples.
    turn
        Phase of the carrier from one sample to the next.
    sign
        Of the ripple; 0 = either.
    """
    found = np.zeros((4, len(cepstrum)))
    found[0] = np.nan
    m = cepstrum.shape[1]
    _peaks(cepstrum, low, high, turn, sign, np.empty(m), np.empty(m, np.int64), found)
    return found


@numba.njit(**COUNTS_NOTHING)
def _peaks(
    cepstrum: NDArray[np.complex64],
    low: float,
    high: float,
    turn: float,
    sign: int,
    power: NDArray[np.float64],
    peaks: NDArray[np.int64],
    found: NDArray[np.float64],
) -> None:
    begin, end = int(np.ceil(low)), int(high) + 1
    begin = begin if begin > 1 else 1
    end = end if end < power.size - 2 else power.size - 2
    for row in range(cepstrum.shape[0]):
        line = cepstrum[row]
        for i in range(begin - 1, end + 1):
            power[i] = line[i].real * line[i].real + line[i].imag * line[i].imag
        count = 0
        for i in range(begin, end):  # a place is kept by counting on, which wants no branch
            peaks[count] = i
            count += (power[i] >= power[i - 1]) & (power[i] > power[i + 1])
        if count == 0:
            continue
        best, rival = peaks[0], 0.0
        for i in peaks[1:count]:
            if power[i] > power[best]:
                best = i
        for i in peaks[:count]:
            if power[i] > rival:
                order = np.rint(i / best)
                order = order if order > 1 else 1.0
                if abs(i - order * best) * turn > 2 * np.pi:
                    rival = power[i]
        top = np.sqrt(power[best])
        # from sample `best` to the envelope's peak, and from there to where the carrier is upright
        coarse = parabola_peak(np.sqrt(power[best - 1]), top, np.sqrt(power[best + 1]))[0]
        cosine, sine = np.cos(turn * coarse), np.sin(turn * coarse)
        real = line[best].real * cosine + line[best].imag * sine
        imaginary = line[best].real * sine - line[best].imag * cosine
        if sign < 0 or (sign == 0 and real < 0):
            real, imaginary = -real, -imaginary
        shift = -np.arctan2(imaginary, real) / turn
        found[0, row] = best + coarse + shift
        found[1, row] = top
        found[2, row] = np.sqrt(rival)
        found[3, row] = shift * turn / (2 * np.pi)
