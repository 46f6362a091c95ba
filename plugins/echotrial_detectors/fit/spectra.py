"""Records as damped spectra: a gate on each record, an exponential, the bins of the band.

Under exp(-sigma t) a spectrum is a Laplace transform at complex frequency, where the layer model
is exact and what the end of the gate cuts off is small.
"""

from dataclasses import dataclass

import numba
import numpy as np
import scipy
from echotrial.ascan import Batch
from echotrial.setup import Setup, Waveform
from numpy.typing import NDArray

from echotrial_detectors.noise import noise_sigma
from echotrial_detectors.pulse import envelope_peak_s

#: Bins where the reference echo's spectrum stands above this share of its peak are used.
BAND_FLOOR = 10 ** (-32 / 20)
#: Bins above this share of the sampling rate are left out: what lies beyond half the rate is folded
#: back there, and differs from record to record with the phase of the sampling.
FOLDED = 0.36
#: The exponential falls to exp(-this) over the gate.
DAMPING = 1.5
#: Bins between those of which the reference echo's spectrum is taken by itself.
APART = 16


@dataclass(frozen=True)
class Gate:
    """Where a record is looked at, in samples, and the bins that are kept.

    Attributes
    ----------
    before
        Samples of the gate before its anchor.
    length
        Samples in the gate.
    rate_hz, period_s
        Sampling rate; period of the centre frequency.
    bins
        First and one past the last bin of ``rfft`` over the gate.
    """

    before: int
    length: int
    rate_hz: float
    period_s: float
    bins: tuple[int, int]

    @property
    def damping(self) -> float:
        """Decay per period."""
        return DAMPING / (self.length / self.rate_hz / self.period_s)

    @property
    def frequency(self) -> NDArray[np.float64]:
        """Frequencies of the bins over the centre frequency, (m,)."""
        return np.arange(*self.bins) * self.rate_hz / self.length * self.period_s

    @property
    def s(self) -> NDArray[np.complex128]:
        """Complex frequencies of the bins, (m,)."""
        return np.asarray(self.damping + 2j * np.pi * self.frequency, dtype=np.complex128)

    @property
    def s_twice(self) -> NDArray[np.complex128]:
        """The same under twice the damping, (m,)."""
        return self.s + self.damping

    @property
    def window(self) -> NDArray[np.float64]:
        """The exponential over the gate, 1 at the anchor, (length,)."""
        time = (np.arange(self.length) - self.before) / self.rate_hz / self.period_s
        return np.exp(-self.damping * time)

    @property
    def freedom(self) -> float:
        """Residual energy over this is the variance of the noise at the interface echo's time.

        Bins times two, times the mean square of the exponential: later noise counts for less.
        """
        return 2 * (self.bins[1] - self.bins[0]) * float(np.mean(self.window**2))


def loss_law(frequency: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Loss growing as the frequency, with the dispersion that belongs to it.

    1/c = 1/c0 - (2/pi) alpha0 ln(f/f0) (Szabo 1994, from memory; exponent one).
    """
    return frequency * (1 - 2j / np.pi * np.log(frequency))


@dataclass(frozen=True)
class Bins:
    """What is known at the bins in use.

    Attributes
    ----------
    pulse, s
        The reference echo's damped spectrum, and the complex frequency over the centre frequency.
    law
        (2, m): loss relative to that at the centre frequency, and what the beam's spreading adds
        to the wall's exponent.
    pulse_twice, s_twice
        Pulse and frequency under twice the damping.
    """

    pulse: NDArray[np.complex128]
    s: NDArray[np.complex128]
    law: NDArray[np.complex128]
    pulse_twice: NDArray[np.complex128]
    s_twice: NDArray[np.complex128]

    @classmethod
    def of(
        cls,
        gate: Gate,
        pulse: NDArray[np.complex128],
        pulse_twice: NDArray[np.complex128],
        beam: NDArray[np.complex128],
    ) -> "Bins":
        """All bins of a gate."""
        law = np.stack([loss_law(gate.frequency), beam])
        return cls(pulse, gate.s, law, pulse_twice, gate.s_twice)


def gate_of(setup: Setup, rate_hz: float, before_s: float, length_s: float) -> Gate:
    """Make the gate and keep the bins in which the reference echo has something to say."""
    before, wanted = round(before_s * rate_hz), round(length_s * rate_hz)
    length = int(scipy.fft.next_fast_len(wanted, real=True))
    period = 1 / setup.centre_frequency
    everything = Gate(before, length, rate_hz, period, (1, length // 2))
    level = np.abs(pulse_of(reference_of(setup), everything, everything.s))
    clean = np.arange(1, length // 2) < FOLDED * length
    loud = np.flatnonzero((level > BAND_FLOOR * level.max()) & clean) + 1
    return Gate(before, length, rate_hz, period, (int(loud[0]), int(loud[-1]) + 1))


def reference_of(setup: Setup) -> Waveform:
    """The set-up's reference echo."""
    assert setup.reference_echo is not None  # `prepare` refuses set-ups without one
    return setup.reference_echo


def pulse_of(wave: Waveform, gate: Gate, s: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Damped spectrum of the reference echo about its envelope peak, (m,).

    At the complex frequencies `s`, which lie at even steps, whatever the echo's own sampling rate:
    every `APART`-th of them, times what turns it into its next ones.
    """
    samples = wave.samples.astype(float)
    time = (wave.time_s - envelope_peak_s(samples, wave.time_s)) / gate.period_s
    inside = (time > -gate.before / gate.rate_hz / gate.period_s) & (
        time < gate.length / gate.rate_hz / gate.period_s
    )
    scale = gate.rate_hz / wave.rate_hz
    far = np.exp(-np.outer(s[::APART], time[inside])) * samples[inside]
    near = np.exp(-np.outer(s[:APART] - s[0], time[inside]))
    found: NDArray[np.complex128] = (far @ near.T).ravel()[: s.size]
    return found * scale


def loudest(
    analytic: NDArray[np.complex64], first: NDArray[np.int64], length: int
) -> NDArray[np.int64]:
    """Sample of the greatest envelope among `length` samples from `first` on, (n,)."""
    m = analytic.shape[1]
    low, high = np.clip(first, 0, m - 1), np.clip(first + length, 0, m)
    found = low.copy()
    _loudest(analytic, low, high, found)
    return found


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _loudest(
    analytic: NDArray[np.complex64], low: NDArray[np.int64], high: NDArray[np.int64],
    found: NDArray[np.int64],
) -> None:  # fmt: skip
    for row in range(analytic.shape[0]):
        best = np.float32(-1.0)
        for i in range(low[row], high[row]):
            re, im = analytic[row, i].real, analytic[row, i].imag
            value = re * re + im * im
            if value > best:
                best, found[row] = value, i


def spectra(
    batch: Batch, first: NDArray[np.int64], anchor: NDArray[np.int64], gate: Gate
) -> NDArray[np.complex128]:
    """Damped spectra of the gates that begin at `first`, time zero at the `anchor` sample, (n, m).

    Gates that reach beyond a record find silence there.
    """
    low, high = gate.bins
    cut = np.zeros((len(batch), gate.length), np.float32)
    _cut(batch.samples, first, gate.window.astype(np.float32), cut)
    found = scipy.fft.rfft(cut, axis=1, overwrite_x=True)[:, low:high]
    turn = np.exp(2j * np.pi / gate.length * np.outer(anchor - first, np.arange(low, high)))
    return np.asarray(found * turn, dtype=np.complex128)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _cut(
    samples: NDArray[np.float32], first: NDArray[np.int64], window: NDArray[np.float32],
    cut: NDArray[np.float32],
) -> None:  # fmt: skip
    """Rows of `cut` become what `window` leaves of those of `samples` from `first` on."""
    for row in range(cut.shape[0]):
        begin = first[row]
        for i in range(max(0, -begin), min(window.size, samples.shape[1] - begin)):
            cut[row, i] = samples[row, begin + i] * window[i]


def noise_energy(batch: Batch, first: NDArray[np.int64], gate: Gate) -> NDArray[np.float64]:
    """Energy that the record's noise alone has in a damped spectrum.

    Of the noise that part counts that lies in the band, as a receiver leaves no more of it
    elsewhere. The record is turned until it begins with its gate: so the stretches whose spread is
    taken lie the same way about the echoes, whenever the record starts.
    """
    m, size = batch.samples.shape[1], batch.n_fft
    low, high = (round(edge * size / gate.length) for edge in gate.bins)
    inside = np.zeros_like(batch.spectrum)
    inside[:, low:high] = batch.spectrum[:, low:high]
    samples = scipy.fft.irfft(inside, size, axis=1, overwrite_x=True)[:, :m]
    turned = np.empty_like(samples)
    _turn(samples, first % m, turned)
    white = noise_sigma(turned) ** 2 * size / (2 * (high - low))
    return np.asarray(white * (gate.bins[1] - gate.bins[0]) * float(np.sum(gate.window**2)))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _turn(
    samples: NDArray[np.float32], first: NDArray[np.int64], turned: NDArray[np.float32]
) -> None:
    """Rows of `turned` become those of `samples` from `first` on, and round to it."""
    # Slices would take two seconds to compile.
    for row in range(samples.shape[0]):
        at = first[row]
        for i in range(samples.shape[1]):
            turned[row, i] = samples[row, at]
            at = at + 1 if at + 1 < samples.shape[1] else 0
