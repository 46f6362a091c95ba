"""The receiver: band-pass, noise, and what else reaches the digitiser."""

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from echotrial_corpora.recorded import Recording
    from echotrial_corpora.spec import CorpusSpec

ORDER = 2


def band_pass(s: ArrayLike, low_hz: float, high_hz: float) -> NDArray[np.complex128]:
    """Butterworth band-pass (order 2 on each side) as a rational function of s.

    ``scipy.signal.butter`` has the same poles to the bit (a test compares them), but takes a second
    to import: poles of the low-pass on the unit circle, then s -> (s^2 + w_0^2) / (s (w_2 - w_1)).
    """
    s = np.asarray(s, dtype=np.complex128)
    low, high = 2 * np.pi * low_hz, 2 * np.pi * high_hz
    circle = -np.exp(1j * np.pi * np.arange(1 - ORDER, ORDER, 2) / (2 * ORDER))
    half = circle * ((high - low) / 2)
    apart = np.sqrt(half**2 - np.sqrt(low * high) ** 2)
    found = np.full(s.shape, (high - low) ** ORDER, np.complex128)
    for pole in (*(half + apart), *(half - apart)):
        found = found / (s - pole)
    for _ in range(ORDER):
        found = found * s
    return found


def noise_shape(spec: "CorpusSpec") -> NDArray[np.float64]:
    """Amplitude of each ``rfft`` bin's complex normal so that noise has rms 1, (m // 2 + 1,).

    White noise through the receiver's band-pass, times (f / f_0)^(-colour / 2).
    """
    f = np.fft.rfftfreq(spec.samples, 1 / spec.rate)
    shape = np.abs(band_pass(2j * np.pi * f, *spec.receiver.band))
    ratio = np.maximum(f, f[1]) / spec.probe.centre_frequency.nominal
    shape *= ratio ** (-spec.receiver.noise_colour / 2)
    shape[0] = 0.0
    if spec.samples % 2 == 0:
        shape[-1] = 0.0
    return np.asarray(shape * spec.samples / (2 * np.sqrt(np.sum(shape**2))))


def noise_record(spec: "CorpusSpec") -> NDArray[np.float64]:
    """Recorded noise at the corpus's rate, mean 0 and rms 1; empty where it is computed."""
    recording = spec.receiver.noise
    if recording is None:
        return np.empty(0)
    found = at_rate(recording, spec.rate)
    found = found - found.mean()
    return np.asarray(found / np.sqrt(np.mean(found**2)))


def at_rate(recording: "Recording", rate_hz: float) -> NDArray[np.float64]:
    """A recording at another rate, by polyphase filtering (ratios down to 1/1000)."""
    from fractions import Fraction

    ratio = Fraction(rate_hz / recording.rate).limit_denominator(1000)
    if ratio == 1:
        return recording.array
    from scipy.signal import resample_poly  # takes a second

    return np.asarray(resample_poly(recording.array, ratio.numerator, ratio.denominator))


def recorded_spectrum(s: NDArray[np.complex128], recording: "Recording") -> NDArray[np.complex128]:
    """Spectrum of a recorded echo about its envelope's peak, seconds per unit amplitude.

    Summed at s itself, so that it needs no resampling: exact for what is below both Nyquist
    frequencies.
    """
    from scipy.signal import hilbert

    samples = recording.array / np.abs(recording.array).max()
    time = np.arange(samples.size) / recording.rate
    time = time - time[np.argmax(np.abs(hilbert(samples)))]
    return np.asarray(np.exp(-s[:, None] * time) @ samples / recording.rate)
