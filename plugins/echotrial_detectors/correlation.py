"""Cross-correlation with the reference echo (or a synthesised pulse), sharpened."""

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
import scipy
from echotrial.ascan import Batch, Readings
from echotrial.detector import Detect, Invariance, Maps, setting
from echotrial.setup import Setup
from numpy.typing import NDArray

from echotrial_detectors.fir import Fir, few_taps
from echotrial_detectors.flags import room
from echotrial_detectors.look import Look
from echotrial_detectors.peaks import Candidates, find_extrema
from echotrial_detectors.plan import EchoSettings, plan
from echotrial_detectors.pulse import PulseShape, frequencies, pulse_spectrum, shape_of
from echotrial_detectors.reading import Reader
from echotrial_detectors.tiles import Portion, portions

#: Where echoes overlap, lobes of a sharpened correlation make even series of their own: one that is
#: a wall's explains more of it than this.
CLOSE_SHARE = 0.68


class CorrelationSettings(EchoSettings):
    """Settings of `Correlation`."""

    sharpness_db: float = setting(
        6.0,
        "the correlation's spectrum is levelled where the pulse's power is above this many dB "
        "below its greatest; 0 = nearly plain correlation",
        ge=0.0,
        le=50.0,
        candidates=(3.0, 6.0, 12.0, 20.0),
    )


@dataclass(frozen=True, eq=False)
class Filter:
    """What a batch's spectrum is multiplied by, and what that makes of one echo.

    Attributes
    ----------
    transfer
        One-sided, (n_fft // 2 + 1,).
    spectrum
        The spectrum of one echo after it.
    shape
        Its shape.
    fir
        Taps that do for the transfer, if few do.
    """

    transfer: NDArray[np.complex64]
    spectrum: NDArray[np.float64]
    shape: PulseShape
    fir: Fir


def sharpened_filter(setup: Setup, n_fft: int, rate_hz: float, sharpness_db: float) -> Filter:
    """conj(P) / (|P|^2 + e): correlation with the pulse P, levelled down to e (Wiener).

    An echo becomes the zero-phase ``irfft`` of |P|^2 / (|P|^2 + e), scaled to height 1.
    """
    pulse = pulse_spectrum(setup, frequencies(n_fft, rate_hz))
    power = np.abs(pulse) ** 2
    level = power / (power + 10 ** (-sharpness_db / 10))
    height = scipy.fft.irfft(level, n=n_fft)[0]
    transfer = np.conj(pulse) / (power + 10 ** (-sharpness_db / 10)) / height
    return Filter(
        transfer.astype(np.complex64),
        level / height,
        shape_of(level.astype(complex), n_fft),
        few_taps(transfer, pulse, n_fft),
    )


class Correlation:
    """Extrema of the cross-correlation with the reference echo, equally spaced."""

    name: ClassVar[str] = "correlation"
    version: ClassVar[str] = "5"
    Settings: ClassVar[type[CorrelationSettings]] = CorrelationSettings
    invariances: ClassVar[frozenset[Invariance]] = frozenset({"gain", "shift"})

    def __init__(self, lead: float = 1.0) -> None:
        """`lead`: share of the interface echo that stands in the records."""
        self._lead = lead

    def prepare(
        self, setup: Setup, settings: CorrelationSettings, *, maps: Maps | None = None
    ) -> Detect:
        """Work out plan and filter; the filter waits for the first batch's length and rate."""
        planned = plan(setup, settings)
        after_s = planned.after_s if settings.gate_start_s is None else settings.gate_start_s
        reader = Reader(planned, settings, after_s, CLOSE_SHARE, lead=self._lead)
        filters: dict[tuple[int, float], Filter] = {}

        def detect(batch: Batch) -> Readings:
            key = (batch.n_fft, batch.rate_hz)
            if key not in filters:
                filters[key] = sharpened_filter(setup, *key, settings.sharpness_db)
            sharpener = filters[key]
            sharp = portions(batch, sharpener.transfer, fir=sharpener.fir)
            return reader.read(batch, sharpener.shape, sharp, correlation_peaks, cosine=True)

        return detect


def correlation_peaks(portion: Portion, look: Look, shape: PulseShape, found: Candidates) -> None:
    """Candidates: extrema of the correlation, in `found`."""
    find_extrema(
        portion.signal, look.loudest, look.length, look.first, look.last, look.level,
        look.separation, *room(portion.signal.shape[1]), found.sample, found.amplitude, found.count,
    )  # fmt: skip
