"""Cepstrum of the gated echoes: the spacing at which the logarithm of the spectrum ripples."""

from typing import ClassVar

import numba
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from echotrial.ascan import Batch, Readings, Reason
from echotrial.detector import Detect, Invariance, Maps, setting
from echotrial.setup import Setup
from echotrial_detectors.correlation import Filter, sharpened_filter
from echotrial_detectors.noise import noise_sigma
from echotrial_detectors.peaks import all_finite, parabola_peak, strongest
from echotrial_detectors.plan import EchoSettings, Plan, plan


class CepstralSettings(EchoSettings):
    """Settings of `Cepstral`."""

    with_interface: bool | None = setting(
        None,
        "keep the interface echo in the gate; None = only where multiples die out. (The response "
        "of a lossless wall, interface echo and all, is all-pass: its spectrum has no ripple.)",
        candidates=(None, True, False),
    )
    sharpness_db: float = setting(
        20.0, "band used: where the pulse's power is above this many dB below its greatest",
        ge=5.0, le=50.0, candidates=(10.0, 20.0, 30.0),
    )  # fmt: skip
    prominence: float = setting(
        4.0, "the cepstral peak stands this many times above the median of its range",
        ge=1.0, le=50.0, candidates=(3.0, 4.0, 6.0),
    )  # fmt: skip


class Cepstral:
    """Greatest peak of the power cepstrum over the reference's, within the wall range."""

    name: ClassVar[str] = "cepstral"
    version: ClassVar[str] = "1"
    Settings: ClassVar[type[CepstralSettings]] = CepstralSettings
    invariances: ClassVar[frozenset[Invariance]] = frozenset({"gain", "shift", "polarity"})

    def prepare(
        self, setup: Setup, settings: CepstralSettings, *, maps: Maps | None = None
    ) -> Detect:
        """Work out plan and gate; filter and band wait for the first batch's length and rate."""
        planned = plan(setup, settings)
        filters: dict[tuple[int, float], Filter] = {}

        def detect(batch: Batch) -> Readings:
            key = (batch.n_fft, batch.rate_hz)
            if key not in filters:
                filters[key] = sharpened_filter(setup, *key, settings.sharpness_db)
            return read_cepstra(batch, planned, settings, filters[key])

        return detect


def read_cepstra(
    batch: Batch, plan: Plan, settings: CepstralSettings, filter: Filter
) -> Readings:
    """Readings of a batch from the cepstra of its gated, sharpened records."""
    n, m = batch.samples.shape
    rate = batch.rate_hz
    sharp = scipy.fft.irfft(batch.spectrum * filter.transfer, n=batch.n_fft, axis=1)[:, :m]
    with_interface = settings.with_interface
    if with_interface is None:
        with_interface = plan.mode == 2
    after_s = settings.gate_start_s
    if after_s is None:
        after_s = 0.5 * plan.spacing_min_s
    if with_interface or plan.interface_s is None:
        after_s = -plan.period_s if plan.interface_s is not None else plan.spacing_min_s
    start = ((plan.interface_s or 0.0) + after_s - batch.start_s) * rate
    stop = np.full(n, float(m))
    fall = np.exp(-3.0 / max(m - float(start.mean()), 1.0))
    gated = gate_records(sharp, start, fall, plan.period_s * rate / 2)
    noise = noise_sigma(sharp)
    first = np.clip(start, 0, m).astype(np.int64)
    loud = strongest(sharp, first, np.full(n, m)) > settings.level_sigma * noise
    band = filter.spectrum
    cepstrum = power_cepstrum(gated, batch.n_fft, band)
    low, high = plan.spacing_min_s * rate, plan.spacing_max_s * rate
    place, height, middle = cepstral_peaks(np.abs(cepstrum), low, min(high, 0.5 * m))
    thickness = plan.setup.thickness_m(place / rate, 1, mode=3)
    prominent = height > settings.prominence * middle
    wall_low, wall_high = plan.setup.wall_range
    tol = plan.setup.tolerance.of(thickness)
    reason = np.select(
        [
            ~all_finite(batch.samples),
            ~loud,
            ~prominent,
            (thickness < wall_low - tol) | (thickness > wall_high + tol),
        ],
        [Reason.BAD_SAMPLES, Reason.NO_ECHO, Reason.LOW_CONFIDENCE, Reason.OUT_OF_RANGE],
        Reason.READ,
    ).astype(np.int8)
    silent = reason != Reason.READ
    with np.errstate(invalid="ignore", divide="ignore"):
        confidence = np.clip(1 - settings.prominence * middle / height, 0, 1)
    return Readings(
        np.where(silent, np.nan, thickness),
        spans=np.where(silent, np.nan, 1.0),
        gate_start_s=batch.start_s + np.maximum(start, 0) / rate,
        gate_end_s=batch.start_s + (stop - 1) / rate,
        confidence=np.where(silent, np.nan, confidence),
        reason=reason,
    )


@numba.njit(cache=True, nogil=True)
def gate_records(
    signal: NDArray[np.float32], start: NDArray[np.float64], fall: float, rise: float
) -> NDArray[np.float32]:
    """Records from `start` on, faded in over `rise` samples, falling by `fall` a sample.

    An exponential keeps a geometric series geometric, so that the record's end cuts nothing off.
    """
    gated = np.zeros_like(signal)
    for row in range(signal.shape[0]):
        weight = 1.0
        for i in range(max(0, int(np.ceil(start[row]))), signal.shape[1]):
            ramp = min(1.0, (i - start[row]) / rise) if rise > 0 else 1.0
            gated[row, i] = signal[row, i] * weight * ramp
            weight *= fall
    return gated


def power_cepstrum(
    gated: NDArray[np.float32], n_fft: int, band: NDArray[np.float64]
) -> NDArray[np.complex64]:
    """One-sided inverse transform of the log spectrum over the pulse's, weighted by `band`."""
    spectrum = np.abs(scipy.fft.rfft(gated, n=n_fft, axis=1)) + np.float32(1e-20)
    ripple = np.log(spectrum / (band + 1e-9)).astype(np.float32)
    weight = (band / band.sum()).astype(np.float32)
    ripple -= (ripple @ weight)[:, None]
    one_sided = np.zeros((len(gated), n_fft), np.complex64)
    one_sided[:, : band.size] = ripple * weight
    found: NDArray[np.complex64] = scipy.fft.ifft(one_sided, axis=1, norm="forward", overwrite_x=True)
    return found


@numba.njit(cache=True, nogil=True)
def cepstral_peaks(
    height: NDArray[np.float32], low: float, high: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Place (samples) and height of the greatest maximum between two quefrencies, and the median."""
    n = height.shape[0]
    place, most, middle = np.full(n, np.nan), np.zeros(n), np.zeros(n)
    begin, end = max(1, int(np.ceil(low))), int(high)
    for row in range(n):
        line = height[row]
        middle[row] = np.median(line[begin:end])
        for i in range(begin, end):
            if line[i] > most[row] and line[i] >= line[i - 1] and line[i] > line[i + 1]:
                shift, _ = parabola_peak(line[i - 1], line[i], line[i + 1])
                place[row], most[row] = i + shift, line[i]
    return place, most, middle
