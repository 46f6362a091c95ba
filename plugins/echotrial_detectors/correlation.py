"""Cross-correlation with the reference echo (or a synthesised pulse), sharpened."""

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from echotrial.ascan import Batch, Readings
from echotrial.detector import Detect, Invariance, Maps, setting
from echotrial.setup import Setup
from echotrial_detectors.gate import search_samples
from echotrial_detectors.noise import noise_sigma
from echotrial_detectors.peaks import Candidates, drop_side_lobes, find_extrema, strongest
from echotrial_detectors.plan import EchoSettings, Plan, plan
from echotrial_detectors.pulse import falling, frequencies, pulse_spectrum
from echotrial_detectors.reading import Reader, level_of


class CorrelationSettings(EchoSettings):
    """Settings of `Correlation`."""

    sharpness_db: float = setting(
        20.0,
        "the correlation's spectrum is levelled where the pulse's power is above this many dB "
        "below its greatest; 0 = nearly plain correlation",
        ge=0.0,
        le=50.0,
        candidates=(10.0, 20.0, 30.0),
    )


@dataclass(frozen=True, eq=False)
class Filter:
    """What a batch's spectrum is multiplied by, and what that leaves of one echo."""

    transfer: NDArray[np.complex64]
    lobes: NDArray[np.float64]
    kernel: NDArray[np.float64]


def sharpened_filter(setup: Setup, n_fft: int, rate_hz: float, sharpness_db: float) -> Filter:
    """conj(P) / (|P|^2 + e): correlation with the pulse P, levelled down to e (Wiener).

    An echo becomes the zero-phase ``irfft`` of |P|^2 / (|P|^2 + e), scaled to height 1.
    """
    pulse = pulse_spectrum(setup, frequencies(n_fft, rate_hz))
    power = np.abs(pulse) ** 2
    level = power / (power + 10 ** (-sharpness_db / 10))
    shape = scipy.fft.irfft(level, n=n_fft)
    transfer = np.conj(pulse) / (power + 10 ** (-sharpness_db / 10)) / shape[0]
    return Filter(transfer.astype(np.complex64), falling(np.abs(np.fft.fftshift(shape)) / shape[0]), shape / shape[0])


class Correlation:
    """Extrema of the cross-correlation with the reference echo, equally spaced."""

    name: ClassVar[str] = "correlation"
    version: ClassVar[str] = "1"
    Settings: ClassVar[type[CorrelationSettings]] = CorrelationSettings
    invariances: ClassVar[frozenset[Invariance]] = frozenset({"gain", "shift"})

    def prepare(
        self, setup: Setup, settings: CorrelationSettings, *, maps: Maps | None = None
    ) -> Detect:
        """Work out plan and filter; the filter waits for the first batch's length and rate."""
        planned = plan(setup, settings)
        after_s = planned.spacing_min_s if settings.gate_start_s is None else settings.gate_start_s
        reader = Reader(planned, settings, after_s)
        filters: dict[tuple[int, float], Filter] = {}

        def detect(batch: Batch) -> Readings:
            key = (batch.n_fft, batch.rate_hz)
            if key not in filters:
                filters[key] = sharpened_filter(setup, *key, settings.sharpness_db)
            found, level = correlate(batch, planned, settings, after_s, filters[key])
            return reader.read(batch, found, level)

        return detect


def correlate(
    batch: Batch, plan: Plan, settings: EchoSettings, after_s: float, filter: Filter
) -> tuple[Candidates, NDArray[np.float64]]:
    """Candidates of the sharpened correlation and the level they exceed."""
    m = batch.samples.shape[1]
    sharp = scipy.fft.irfft(batch.spectrum * filter.transfer, n=batch.n_fft, axis=1)[:, :m]
    first, last = search_samples(plan, after_s, batch.start_s, batch.rate_hz, m)
    level = level_of(plan, settings, noise_sigma(sharp), strongest(sharp, first, last))
    found = Candidates.none(len(batch))
    separation = int(0.3 * plan.period_s * batch.rate_hz)
    find_extrema(
        sharp, first, last, level, separation, found.sample, found.amplitude, found.count
    )
    drop_side_lobes(found.sample, found.amplitude, found.count, filter.lobes)
    return found, level
