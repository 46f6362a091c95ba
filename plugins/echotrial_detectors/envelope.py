"""Peaks of the envelope (modulus of the analytic signal), optionally refined by the carrier."""

from functools import partial
from typing import ClassVar

import numba
import numpy as np
from echotrial.ascan import Batch, Readings
from echotrial.detector import Detect, Invariance, Maps, setting
from echotrial.setup import Setup
from numpy.typing import NDArray

from echotrial_detectors.peaks import Candidates, parabola_peak
from echotrial_detectors.plan import EchoSettings, plan
from echotrial_detectors.pulse import PulseShape, frequencies, pulse_spectrum, shape_of
from echotrial_detectors.reading import Look, Reader
from echotrial_detectors.tiles import filtered_analytic


class EnvelopeSettings(EchoSettings):
    """Settings of `Envelope`."""

    carrier: bool = setting(
        True,
        "move each mark to where the carrier has the phase it has at the pulse's own peak",
        candidates=(False, True),
    )
    band_db: float = setting(
        6.0,
        "records are filtered to the band where the pulse's power is above this many dB below its "
        "greatest, because the rest is noise",
        ge=0.0,
        le=60.0,
        candidates=(0.0, 6.0, 12.0),
    )


class Envelope:
    """Maxima of the envelope, equally spaced."""

    name: ClassVar[str] = "envelope"
    version: ClassVar[str] = "2"
    Settings: ClassVar[type[EnvelopeSettings]] = EnvelopeSettings
    invariances: ClassVar[frozenset[Invariance]] = frozenset({"gain", "shift"})

    def prepare(
        self, setup: Setup, settings: EnvelopeSettings, *, maps: Maps | None = None
    ) -> Detect:
        """Work out plan and gate; the pulse's shape waits for the first batch's rate."""
        planned = plan(setup, settings)
        after_s = planned.after_s if settings.gate_start_s is None else settings.gate_start_s
        reader = Reader(planned, settings, after_s)
        shapes: dict[tuple[int, float], tuple[PulseShape, NDArray[np.float32]]] = {}
        turn = 2 * np.pi * setup.centre_frequency if settings.carrier else 0.0

        def detect(batch: Batch) -> Readings:
            key = (batch.n_fft, batch.rate_hz)
            if key not in shapes:
                shapes[key] = banded_pulse(setup, *key, settings.band_db)
            shape, band = shapes[key]
            analytic = banded_analytic(batch, band)
            peaks = partial(envelope_peaks, analytic, turn / batch.rate_hz)
            return reader.read(batch, np.ascontiguousarray(analytic.real), shape, peaks)

        return detect


def banded_pulse(
    setup: Setup, n_fft: int, rate_hz: float, band_db: float
) -> tuple[PulseShape, NDArray[np.float32]]:
    """The pulse's shape after a zero-phase filter to its own band, and that filter."""
    pulse = pulse_spectrum(setup, frequencies(n_fft, rate_hz))
    power = np.abs(pulse) ** 2
    band = power / (power + 10 ** (-band_db / 10))
    band /= band.max()
    return shape_of(pulse * band, n_fft), band.astype(np.float32)


def banded_analytic(batch: Batch, band: NDArray[np.float32]) -> NDArray[np.complex64]:
    """Analytic signal of every record in the probe's band, (n, m); the rest is noise."""
    return filtered_analytic(batch, band)


def envelope_peaks(
    analytic: NDArray[np.complex64],
    turn: float,
    signal: NDArray[np.float32],
    look: Look,
    shape: PulseShape,
    found: Candidates,
) -> None:
    """Candidates: maxima of the envelope, in `found`."""
    find_envelope_peaks(
        analytic, look.first, look.last, look.level, shape.phase, turn,
        found.sample, found.amplitude, found.count,
    )  # fmt: skip


@numba.njit(cache=True, nogil=True, error_model="numpy")
def find_envelope_peaks(
    analytic: NDArray[np.complex64],
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    level: NDArray[np.float64],
    phase: float,
    turn: float,
    sample: NDArray[np.float64],
    amplitude: NDArray[np.float64],
    count: NDArray[np.int64],
) -> None:
    """Fill in the maxima of the envelope above `level`, by a parabola through its logarithm.

    Parameters
    ----------
    phase
        Phase of the pulse at its own envelope peak: the sign of an echo is that of the real part
        of its analytic signal turned back by it.
    turn
        Phase of the carrier from one sample to the next, to refine the mark by; 0 = do not.
    """
    cosine, sine = np.cos(phase), np.sin(phase)
    for row in range(analytic.shape[0]):
        line, floor = analytic[row], np.float32(level[row] * level[row])
        here = 0
        begin, end = first[row], last[row]
        begin, end = begin if begin > 1 else 1, end if end < line.size - 1 else line.size - 1
        left = centre = _power(line[0])
        if begin < end:
            left, centre = _power(line[begin - 1]), _power(line[begin])
        for i in range(begin, end):
            right = _power(line[i + 1])
            if centre > floor and centre >= left and centre > right and left > 0 and right > 0:
                if here == sample.shape[1]:
                    break
                # log left - log centre and log right - log centre: 0 is the top
                down, up = np.log(left / centre), np.log(right / centre)
                shift, height = parabola_peak(down, float(np.float32(0)), up)
                real = line[i].real * cosine + line[i].imag * sine
                imaginary = line[i].imag * cosine - line[i].real * sine
                sign = 1.0 if real > 0 else -1.0
                if turn > 0:
                    shift = -np.arctan2(sign * imaginary, sign * real) / turn
                sample[row, here] = i + shift
                amplitude[row, here] = sign * np.sqrt(centre) * np.exp(0.5 * height)
                here += 1
            left, centre = centre, right
        count[row] = here


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _power(value: complex) -> float:
    return value.real * value.real + value.imag * value.imag
