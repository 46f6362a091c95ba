"""Peaks of the envelope (modulus of the analytic signal), optionally refined by the carrier."""

from typing import ClassVar

import numba
import numpy as np
from numpy.typing import NDArray

from echotrial.ascan import Batch, Readings
from echotrial.detector import Detect, Invariance, Maps, setting
from echotrial.setup import Setup
from echotrial_detectors.gate import search_samples
from echotrial_detectors.noise import noise_sigma
from echotrial_detectors.peaks import Candidates, drop_side_lobes, parabola_peak
from echotrial_detectors.plan import EchoSettings, Plan, plan
from echotrial_detectors.pulse import PulseShape, pulse_shape
from echotrial_detectors.reading import Reader, level_of


class EnvelopeSettings(EchoSettings):
    """Settings of `Envelope`."""

    carrier: bool = setting(
        False,
        "move each mark to where the carrier has the phase it has at the pulse's own peak",
        candidates=(False, True),
    )


class Envelope:
    """Maxima of the envelope, equally spaced."""

    name: ClassVar[str] = "envelope"
    version: ClassVar[str] = "1"
    Settings: ClassVar[type[EnvelopeSettings]] = EnvelopeSettings
    invariances: ClassVar[frozenset[Invariance]] = frozenset({"gain", "shift"})

    def prepare(
        self, setup: Setup, settings: EnvelopeSettings, *, maps: Maps | None = None
    ) -> Detect:
        """Work out plan and gate; the pulse's shape waits for the first batch's rate."""
        planned = plan(setup, settings)
        after_s = planned.spacing_min_s if settings.gate_start_s is None else settings.gate_start_s
        reader = Reader(planned, settings, after_s)
        shapes: dict[tuple[int, float], PulseShape] = {}

        def detect(batch: Batch) -> Readings:
            key = (batch.n_fft, batch.rate_hz)
            if key not in shapes:
                shapes[key] = pulse_shape(setup, *key)
            found, level = envelope_peaks(batch, planned, settings, after_s, shapes[key])
            return reader.read(batch, found, level)

        return detect


def envelope_peaks(
    batch: Batch, plan: Plan, settings: EnvelopeSettings, after_s: float, shape: PulseShape
) -> tuple[Candidates, NDArray[np.float64]]:
    """Candidates of the envelope and the level they exceed."""
    m = batch.samples.shape[1]
    first, last = search_samples(plan, after_s, batch.start_s, batch.rate_hz, m)
    most = strongest_envelope(batch.analytic, first, last)
    level = level_of(plan, settings, noise_sigma(batch.samples), most)
    found = Candidates.none(len(batch))
    turn = 2 * np.pi * plan.setup.centre_frequency / batch.rate_hz if settings.carrier else 0.0
    find_envelope_peaks(
        batch.analytic, first, last, level, shape.phase, turn,
        found.sample, found.amplitude, found.count,
    )  # fmt: skip
    drop_side_lobes(found.sample, found.amplitude, found.count, shape.envelope)
    return found, level


@numba.njit(cache=True, nogil=True)
def strongest_envelope(
    analytic: NDArray[np.complex64], first: NDArray[np.int64], last: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Greatest envelope of each record between two samples (the second one excluded), (n,)."""
    found = np.zeros(analytic.shape[0])
    for row in range(analytic.shape[0]):
        most = np.float32(0)
        for value in analytic[row, first[row] : last[row]]:
            most = max(most, value.real * value.real + value.imag * value.imag)
        found[row] = np.sqrt(most)
    return found


@numba.njit(cache=True, nogil=True)
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
    back = np.exp(-1j * phase)
    for row in range(analytic.shape[0]):
        line = analytic[row]
        floor = level[row] * level[row]
        here = 0
        for i in range(max(first[row], 1), min(last[row], line.size - 1)):
            centre = _power(line[i])
            if centre <= floor:
                continue
            left, right = _power(line[i - 1]), _power(line[i + 1])
            if centre < left or centre <= right or left <= 0 or right <= 0:
                continue
            if here == sample.shape[1]:
                break
            shift, height = parabola_peak(np.log(left), np.log(centre), np.log(right))
            upright = line[i] * back
            sign = 1.0 if upright.real > 0 else -1.0
            if turn > 0:
                shift = -np.arctan2(sign * upright.imag, sign * upright.real) / turn
            sample[row, here] = i + shift
            amplitude[row, here] = sign * np.exp(0.5 * height)
            here += 1
        count[row] = here


@numba.njit(cache=True, nogil=True)
def _power(value: complex) -> float:
    return value.real * value.real + value.imag * value.imag
