"""Peaks of the envelope (modulus of the analytic signal), optionally refined by the carrier."""

from dataclasses import dataclass
from functools import partial
from typing import ClassVar

import numba
import numpy as np
from echotrial.ascan import Batch, Readings
from echotrial.detector import Detect, Invariance, Maps, setting
from echotrial.setup import Setup
from numpy.typing import NDArray

from echotrial_detectors import flags as flagging
from echotrial_detectors.fir import Fir, few_taps
from echotrial_detectors.flags import flagged
from echotrial_detectors.kernels import COUNTS_NOTHING
from echotrial_detectors.look import Look
from echotrial_detectors.noise import loud_until
from echotrial_detectors.peaks import Candidates, arctan, parabola_peak
from echotrial_detectors.plan import EchoSettings, plan
from echotrial_detectors.pulse import PulseShape, frequencies, pulse_spectrum, shape_of
from echotrial_detectors.quadrature import Taps, put_quadrature, taps_for
from echotrial_detectors.reading import Reader
from echotrial_detectors.tiles import Portion, analytic_portions, portions

#: Within half a period of an envelope's peak above a level a sample exceeds this share of it.
LOUD_BESIDE = 0.4


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
    version: ClassVar[str] = "5"
    Settings: ClassVar[type[EnvelopeSettings]] = EnvelopeSettings
    invariances: ClassVar[frozenset[Invariance]] = frozenset({"gain", "shift"})

    def __init__(self, lead: float = 1.0) -> None:
        """`lead`: share of the interface echo that stands in the records."""
        self._lead = lead

    def prepare(
        self, setup: Setup, settings: EnvelopeSettings, *, maps: Maps | None = None
    ) -> Detect:
        """Work out plan and gate; the pulse's shape waits for the first batch's rate."""
        planned = plan(setup, settings)
        after_s = planned.after_s if settings.gate_start_s is None else settings.gate_start_s
        reader = Reader(planned, settings, after_s, lead=self._lead)
        filters: dict[tuple[int, float], tuple[PulseShape, Bank]] = {}
        turn = 2 * np.pi * setup.centre_frequency
        # Without a reference echo nobody knows the pulse's phase. A reading from one mark alone
        # needs one; between marks it is the strongest echo's, so that all lie on the same cycle.
        known = setup.reference_echo is not None or planned.sign != 0 or planned.mode == 1
        one_sign = not known and planned.alternation > 0 and planned.interface_s is None

        def detect(batch: Batch) -> Readings:
            key = (batch.n_fft, batch.rate_hz)
            if key not in filters:
                filters[key] = banded_bank(setup, *key, settings.band_db)
            shape, bank = filters[key]
            banded = portions(batch, bank.band.astype(np.complex64), fir=bank.fir)
            if bank.taps.weights.size == 0:
                banded = analytic_portions(batch, bank.band)
            phase = shape.phase if known else np.nan
            peaks = partial(
                envelope_peaks, bank.taps, phase, one_sign, turn / batch.rate_hz, settings.carrier
            )
            return reader.read(batch, shape, banded, peaks)

        return detect


@dataclass(frozen=True, eq=False)
class Bank:
    """What a batch's spectrum is multiplied by, for the record in the probe's band and more.

    Attributes
    ----------
    band
        Zero-phase, (n_fft // 2 + 1,).
    fir
        Taps that do for it, if few do.
    taps
        What gives the quadrature from the record (`quadrature.taps_for`), where they do.
    """

    band: NDArray[np.float32]
    fir: Fir
    taps: Taps


def banded_bank(
    setup: Setup, n_fft: int, rate_hz: float, band_db: float
) -> tuple[PulseShape, Bank]:
    """The pulse's shape after a zero-phase filter to its own band, and that filter."""
    shape, band = banded_pulse(setup, n_fft, rate_hz, band_db)
    pulse = pulse_spectrum(setup, frequencies(n_fft, rate_hz))
    fir = few_taps(band.astype(complex), pulse, n_fft)
    return shape, Bank(band, fir, taps_for(pulse * band))


def banded_pulse(
    setup: Setup, n_fft: int, rate_hz: float, band_db: float
) -> tuple[PulseShape, NDArray[np.float32]]:
    """The pulse's shape after a zero-phase filter to its own band, and that filter."""
    pulse = pulse_spectrum(setup, frequencies(n_fft, rate_hz))
    power = np.abs(pulse) ** 2
    band = power / (power + 10 ** (-band_db / 10))
    band /= band.max()
    return shape_of(pulse * band, n_fft), band.astype(np.float32)


def envelope_peaks(
    taps: Taps,
    phase: float,
    one_sign: bool,
    turn: float,
    carrier: bool,
    portion: Portion,
    look: Look,
    shape: PulseShape,
    found: Candidates,
) -> None:
    """Candidates: maxima of the envelope, in `found`."""
    quadrature = portion.quadrature
    if taps.weights.size > 0:
        quadrature = np.empty((1, portion.signal.shape[1]), np.float32)
    find_envelope_peaks(
        portion.signal, taps.weights, taps.step, quadrature, look.loudest, look.length, look.first,
        look.last, look.level, phase, one_sign, turn, carrier, *room(portion.signal.shape[1]),
        found.sample, found.amplitude, found.count,
    )  # fmt: skip


def room(m: int) -> tuple[NDArray[np.float32], NDArray[np.uint8], NDArray[np.int64]]:
    """Room for the power of a record of m samples, flags of its maxima, and their places."""
    return np.empty(m, np.float32), *flagging.room(m)


@numba.njit(**COUNTS_NOTHING)
def find_envelope_peaks(
    signal: NDArray[np.float32],
    weights: NDArray[np.float32],
    step: int,
    quadrature: NDArray[np.float32],
    loudest: NDArray[np.float32],
    length: int,
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    level: NDArray[np.float64],
    phase: float,
    one_sign: bool,
    turn: float,
    carrier: bool,
    power: NDArray[np.float32],
    flags: NDArray[np.uint8],
    places: NDArray[np.int64],
    sample: NDArray[np.float64],
    amplitude: NDArray[np.float64],
    count: NDArray[np.int64],
) -> None:
    """Fill in the maxima of the envelope above `level`, by a parabola through its logarithm.

    Parameters
    ----------
    signal
        (n, m).
    weights, step, quadrature
        The signal's quadrature, (n, m), and no taps; else taps as in `quadrature.Taps` and room for
        that of one record, (1, m).
    loudest, length
        As in `noise.Survey`: from the next stretch but one after the last loud one on the envelope
        has no peak.
    phase
        Phase of the pulse at its own envelope peak: the sign of an echo is that of the real part
        of its analytic signal turned back by it. NaN = not known: that of the strongest echo.
    one_sign
        Whether all echoes have the strongest one's sign: what would be the other sign is half a
        cycle off.
    turn
        Phase of the carrier from one sample to the next.
    carrier
        Whether to refine the mark by it.
    power, flags, places
        From `room`.
    """
    m = signal.shape[1]
    for row in range(signal.shape[0]):
        line, other = signal[row], quadrature[row if weights.size == 0 else 0]
        place, height = sample[row], amplitude[row]
        begin = first[row] if first[row] > 1 else 1
        quiet = loud_until(loudest[row], length, LOUD_BESIDE * level[row])
        stop = min(last[row], m - 1, quiet + length if 0 < quiet < m else quiet)
        n = stop - begin if stop > begin else 0
        if n > 0:
            low, high = begin - 1, stop + 1
            if weights.size > 0:
                put_quadrature(line, weights, step, low, high, other)
            floor = np.float32(level[row] * level[row])
            _flag_maxima(line[low:high], other[low:high], floor, power[low:high], flags)
        here = min(flagged(flags, n, places), place.size)
        strongest = 0
        for k in range(here):
            i = begin + places[k]
            # log left - log centre and log right - log centre: 0 is the top
            down, up = np.log(power[i - 1] / power[i]), np.log(power[i + 1] / power[i])
            shift, top = parabola_peak(float(down), 0.0, float(up))
            place[k] = i + shift
            height[k] = np.sqrt(power[i]) * np.exp(np.float32(0.5 * top))
            strongest = k if height[k] > height[strongest] else strongest
        own = phase
        if here and np.isnan(phase):
            i = begin + places[strongest]
            own = np.arctan2(other[i], line[i]) + turn * (place[strongest] - i)
        cosine, sine = np.cos(own), np.sin(own)
        for k in range(here):
            i = begin + places[k]
            real = line[i] * cosine + other[i] * sine
            imaginary = other[i] * cosine - line[i] * sine
            if carrier:
                angle = arctan(abs(imaginary), abs(real))
                if one_sign and real < 0:
                    angle = np.pi - angle
                back = (imaginary > 0) == (real > 0 or one_sign)
                place[k] = i + (-angle if back else angle) / turn
            height[k] = height[k] if real > 0 or one_sign else -height[k]
        count[row] = here


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _flag_maxima(
    line: NDArray[np.float32], other: NDArray[np.float32], floor: np.float32,
    power: NDArray[np.float32], flags: NDArray[np.uint8],
) -> None:  # fmt: skip
    """Fill in the power, and flag its maxima above a level among all but the outermost samples."""
    for i in range(line.size):
        power[i] = line[i] * line[i] + other[i] * other[i]
    left, centre, right = power[:-2], power[1:-1], power[2:]
    for i in range(right.size):
        value = centre[i]
        top = (value > floor) & (value >= left[i]) & (value > right[i])
        flags[i] = top & (left[i] > 0) & (right[i] > 0)
