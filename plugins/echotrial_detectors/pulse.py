"""The probe's pulse as a spectrum: from the reference echo, or synthesised where there is none."""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy
from echotrial.setup import Setup, Waveform
from numpy.typing import NDArray

#: The reference echo ends where its envelope stays below this share of its peak, or so many times
#: its median (noise), for so many periods.
ENDS_BELOW, QUIET_MEDIANS, QUIET_PERIODS = 1e-3, 4.0, 5.0
#: A candidate this much above what a stronger one leaves at its place is an echo of its own.
LOBE_MARGIN = 1.3
#: A tail has ended where it stays below this share of its peak (-26 dB, common practice).
TAIL_BELOW = 0.05
#: A template is cut where the echo stays below this share of its peak.
TEMPLATE_BELOW = 0.01
#: Template values to one sample.
FINE = 16


def frequencies(n_fft: int, rate_hz: float) -> NDArray[np.float64]:
    """Frequencies of ``rfft`` of length `n_fft`, (n_fft // 2 + 1,)."""
    return np.asarray(np.fft.rfftfreq(n_fft, 1 / rate_hz), dtype=np.float64)


def pulse_spectrum(setup: Setup, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Spectrum of the pulse with its envelope peak at time zero, greatest modulus 1.

    Taken from the set-up's reference echo (any sampling rate: the transform is evaluated at the
    frequencies asked for), else `gaussian_spectrum`.
    """
    wave = setup.reference_echo
    found = (
        gaussian_spectrum(setup, frequency_hz)
        if wave is None
        else _transform(wave, setup.interface_echo, 1 / setup.centre_frequency, frequency_hz)
    )
    return np.asarray(found / np.abs(found).max(), dtype=np.complex128)


def gaussian_spectrum(setup: Setup, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Zero-phase Gaussian with the set-up's centre frequency and -6 dB bandwidth (ASTM E1065)."""
    width = setup.bandwidth_hz / (2 * math.sqrt(2 * math.log(10 ** (6 / 20))))
    return np.exp(-0.5 * ((frequency_hz - setup.centre_frequency) / width) ** 2).astype(complex)


def _transform(
    wave: Waveform, peak_s: float | None, period_s: float, frequency_hz: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Fourier transform of the echo about its envelope peak (measured where not stated)."""
    samples, time = trimmed(wave, period_s)
    if peak_s is None:
        peak_s = envelope_peak_s(samples, time)
    n_fft = 2 * (frequency_hz.size - 1)
    if samples.size <= n_fft and np.array_equal(frequency_hz, frequencies(n_fft, wave.rate_hz)):
        late = np.exp(-2j * np.pi * frequency_hz * (time[0] - peak_s))
        return np.asarray(late * scipy.fft.rfft(samples, n_fft))
    phase = np.exp(-2j * np.pi * np.outer(frequency_hz, time - peak_s))
    usable = frequency_hz <= wave.rate_hz / 2
    return np.asarray(np.where(usable, phase @ samples, 0.0))


def trimmed(wave: Waveform, period_s: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The part of a reference echo that holds its pulse, mean removed, ends tapered; its times.

    It ends where the envelope stays quiet for `QUIET_PERIODS`: what comes later (the delay line's
    repeat, an echo of its side wall) is an echo of its own.
    """
    samples = wave.samples.astype(np.float64)
    samples -= np.median(samples)
    envelope = envelope_of(samples)
    quiet = max(ENDS_BELOW * envelope.max(), QUIET_MEDIANS * float(np.median(envelope)))
    loud = np.flatnonzero(envelope > min(quiet, 0.5 * envelope.max()))
    peak = int(np.searchsorted(loud, np.argmax(envelope)))
    pauses = np.flatnonzero(np.diff(loud) > QUIET_PERIODS * period_s * wave.rate_hz)
    begin = max((int(i) + 1 for i in pauses if i < peak), default=0)
    end = min((int(i) for i in pauses if i >= peak), default=-1)
    margin = max(4, samples.size // 64)
    first, last = max(loud[begin] - margin, 0), min(loud[end] + margin, samples.size)
    return samples[first:last] * taper(last - first, margin), wave.time_s[first:last]


def envelope_of(samples: NDArray[np.float64]) -> NDArray[np.float64]:
    """Modulus of the analytic signal, as ``scipy.signal.hilbert`` has it, (m,).

    Not taken from there because ``scipy.signal`` takes a second to import.
    """
    m = samples.size
    one_sided = np.zeros(m, complex)
    one_sided[: m // 2 + 1] = 2 * scipy.fft.rfft(samples)
    one_sided[0] /= 2
    if m % 2 == 0:
        one_sided[m // 2] /= 2
    return np.asarray(np.abs(scipy.fft.ifft(one_sided)))


def taper(m: int, tapered: int) -> NDArray[np.float64]:
    """Ones with `tapered` samples of a cosine's rise and fall: ``scipy.signal.windows.tukey``."""
    rise = 0.5 * min(1.0, tapered / m) * (m - 1)
    from_end = np.minimum(np.arange(m), np.arange(m)[::-1])
    return np.asarray(0.5 * (1 - np.cos(np.pi * np.minimum(from_end / max(rise, 1e-9), 1))))


def envelope_peak_s(samples: NDArray[np.float64], time_s: NDArray[np.float64]) -> float:
    """Time of the greatest envelope, by a parabola through its logarithm (exact for a Gaussian)."""
    envelope = envelope_of(samples)
    peak = int(np.clip(np.argmax(envelope), 1, envelope.size - 2))
    left, centre, right = np.log(envelope[peak - 1 : peak + 2] + 1e-300)
    bend = left - 2 * centre + right
    shift = 0.0 if bend == 0 else 0.5 * (left - right) / bend
    return float(time_s[peak] + shift * (time_s[1] - time_s[0]))


@dataclass(frozen=True, eq=False)
class PulseShape:
    """What one echo leaves of itself in a signal.

    Attributes
    ----------
    lobes
        Greatest envelope at each lag in samples or farther from the peak, peak 1, times
        `LOBE_MARGIN`; odd length, the peak in the middle.
    template
        The echo itself, peak of the envelope 1 and in the middle, `FINE` values a sample; odd
        length.
    phase
        Phase of its analytic signal at the peak.
    tail
        Samples from the peak until the envelope stays below `TAIL_BELOW`.
    """

    lobes: NDArray[np.float64]
    template: NDArray[np.float32]
    phase: float
    tail: int

    @cached_property
    def phases(self) -> NDArray[np.float32]:
        """The template as samples lie on it, (FINE, 2 reach + 1): value i, k is i + k FINE's."""
        taps = self.template.size // FINE + 1
        padded = np.zeros(taps * FINE, np.float32)
        padded[: self.template.size] = self.template
        return np.ascontiguousarray(padded.reshape(taps, FINE).T)


def shape_of(spectrum: NDArray[np.complex128], n_fft: int) -> PulseShape:
    """The shape of the echo that has this one-sided spectrum, about its envelope's peak."""
    analytic = scipy.fft.ifft(spectrum, n=FINE * n_fft)
    middle = analytic.size // 2
    analytic = np.roll(analytic, middle - int(np.argmax(np.abs(analytic))))
    analytic /= abs(analytic[middle])
    envelope = np.abs(analytic[middle % FINE :: FINE])
    lobes = _falling(envelope, middle // FINE)
    right = lobes[lobes.size // 2 :]
    return PulseShape(
        lobes=lobes,
        template=_trimmed_template(analytic.real, middle),
        phase=float(np.angle(analytic[middle])),
        tail=int(np.argmax(np.append(right, 0) < LOBE_MARGIN * TAIL_BELOW)),
    )


def _falling(height: NDArray[np.float64], middle: int) -> NDArray[np.float64]:
    loud = np.flatnonzero(height > TEMPLATE_BELOW * height[middle])
    reach = min(middle, height.size - 1 - middle, int(np.abs(loud - middle).max()) + 1)
    right = np.maximum.accumulate(height[middle : middle + reach + 1][::-1])[::-1]
    left = np.maximum.accumulate(height[middle - reach : middle])
    return np.asarray(LOBE_MARGIN * np.concatenate([left, right]))


def _trimmed_template(wave: NDArray[np.float64], middle: int) -> NDArray[np.float32]:
    loud = np.flatnonzero(np.abs(wave) > TEMPLATE_BELOW * np.abs(wave).max())
    reach = FINE * (int(np.abs(loud - middle).max()) // FINE + 2)
    reach = min(reach, FINE * ((middle - 1) // FINE))
    return wave[middle - reach : middle + reach + 1].astype(np.float32)
