"""Onset: where an echo begins, by Akaike's criterion on the samples' variance (Maeda 1985).

AIC(k) = k log var(x_1..k) + (N - k - 1) log var(x_k+1..N): a record that is noise up to k and
something louder after it. Its minimum before an echo's peak is the onset. The pick is made in a
short stretch before each peak of the envelope, so that what the stretch holds before the echo is
noise or an earlier echo's tail. A pick scatters by a sample or more, so it only says which cycle
the mark lies in: within the cycle the mark goes where the carrier has the pulse's own phase.
"""

from functools import partial
from typing import ClassVar

import numba
import numpy as np
from echotrial.ascan import Batch, Readings
from echotrial.detector import Detect, Invariance, Maps, setting
from echotrial.setup import Setup
from numpy.typing import NDArray

from echotrial_detectors.envelope import banded_pulse, find_envelope_peaks, room
from echotrial_detectors.look import Look
from echotrial_detectors.peaks import Candidates
from echotrial_detectors.plan import EchoSettings, plan
from echotrial_detectors.pulse import FINE, PulseShape
from echotrial_detectors.quadrature import NO_TAPS
from echotrial_detectors.reading import Reader
from echotrial_detectors.tiles import Portion, analytic_portions


class OnsetSettings(EchoSettings):
    """Settings of `Onset`: an onset in noise is no onset, so echoes have to stand out more."""

    level_sigma: float = setting(
        6.0, "an echo stands this many sigma above the noise",
        ge=3.0, le=20.0, candidates=(5.0, 6.0),
    )  # fmt: skip
    stretch_periods: float = setting(
        3.0, "length of the stretch before an echo's peak in which its onset is sought, periods",
        ge=1.0, le=20.0, candidates=(2.0, 3.0, 5.0),
    )  # fmt: skip


class Onset:
    """Onsets of echoes, equally spaced: for echoes that stand apart, not for thin walls.

    An onset needs quiet before it. Where echoes overlap the picks fall on the wrong cycle, so most
    walls below some two wavelengths are left unread, and correlation reads the others better. It is
    here because it is what first arrivals are picked with elsewhere, and to be compared with.
    """

    name: ClassVar[str] = "onset"
    version: ClassVar[str] = "4"
    Settings: ClassVar[type[OnsetSettings]] = OnsetSettings
    invariances: ClassVar[frozenset[Invariance]] = frozenset({"gain"})

    def prepare(self, setup: Setup, settings: OnsetSettings, *, maps: Maps | None = None) -> Detect:
        """Work out plan and gate; the pulse's shape waits for the first batch's rate."""
        planned = plan(setup, settings)
        after_s = planned.after_s if settings.gate_start_s is None else settings.gate_start_s
        reader = Reader(planned, settings, after_s)
        shapes: dict[tuple[int, float], tuple[PulseShape, NDArray[np.float32], float]] = {}
        stretch_s = settings.stretch_periods * planned.period_s
        turn = 2 * np.pi * setup.centre_frequency

        def detect(batch: Batch) -> Readings:
            key = (batch.n_fft, batch.rate_hz)
            if key not in shapes:
                shape, band = banded_pulse(setup, *key, BAND_DB)
                shapes[key] = shape, band, own_onset(shape, round(stretch_s * batch.rate_hz))
            shape, band, lag = shapes[key]
            find = partial(onsets, round(stretch_s * batch.rate_hz), lag, turn / batch.rate_hz)
            return reader.read(batch, shape, analytic_portions(batch, band), find)

        return detect


#: As in `envelope`: records are filtered to the probe's band first.
BAND_DB = 6.0


def own_onset(shape: PulseShape, stretch: int) -> float:
    """Samples from the pulse's own onset to its peak: marks are moved by it, from onset to peak."""
    wave = shape.template[shape.template.size // 2 % FINE :: FINE].astype(np.float64)
    middle = (shape.template.size // 2) // FINE
    padded = np.concatenate([np.zeros(stretch), wave])
    return float(stretch + middle - aic_onset(padded, middle, middle + stretch + 1))


def onsets(
    stretch: int, lag: float, turn: float,
    portion: Portion, look: Look, shape: PulseShape, found: Candidates,
) -> None:  # fmt: skip
    """Candidates: onsets before each peak of the envelope, moved by the pulse's own, in `found`."""
    find_envelope_peaks(
        portion.signal, NO_TAPS.weights, NO_TAPS.step, portion.quadrature, look.loudest,
        look.length, look.first, look.last, look.level, shape.phase, False, turn, False,
        *room(portion.signal.shape[1]),
        found.sample, found.amplitude, found.count,
    )  # fmt: skip
    upright = complex(np.exp(-1j * shape.phase))
    _move(
        portion.signal, portion.quadrature, found.sample, found.amplitude, found.count, stretch,
        lag, upright.real, upright.imag, turn, np.empty(stretch + 1), np.empty(stretch + 1),
    )  # fmt: skip


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _move(
    signal: NDArray[np.float32], quadrature: NDArray[np.float32], sample: NDArray[np.float64],
    amplitude: NDArray[np.float64], count: NDArray[np.int64], stretch: int, lag: float,
    real: float, imaginary: float, turn: float, line: NDArray[np.float64],
    criterion: NDArray[np.float64],
) -> None:  # fmt: skip
    """Move marks from envelope peaks to what their onsets say, then to the carrier's phase there.

    `turn` is the carrier's phase from one sample to the next, (real, imaginary) turns the pulse's
    phase back; `line` and `criterion` are room to work in.
    """
    n, m = signal.shape  # `sample` may have room for more records
    for row in range(n):
        for i in range(count[row]):
            peak = int(sample[row, i])
            first = peak - stretch if peak > stretch else 0
            if peak + 1 - first < 8:
                continue
            for k in range(first, peak + 1):
                line[k - first] = signal[row, k]
            place = first + pick(line, peak + 1 - first, criterion) + lag
            for _ in range(2):
                at = int(np.rint(place))
                if 0 <= at < m:
                    here, beside = signal[row, at], quadrature[row, at]
                    along = here * real - beside * imaginary
                    across = here * imaginary + beside * real
                    if amplitude[row, i] < 0:
                        along, across = -along, -across
                    place = at - np.arctan2(across, along) / turn
            sample[row, i] = place


def aic_onset(line: NDArray[np.float64], first: int, last: int) -> float:
    """Sample of `line[first:last]` at which Akaike's criterion is least, a parabola through it."""
    part = np.ascontiguousarray(line[first:last])
    return float(first + pick(part, part.size, np.empty(part.size)))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def pick(line: NDArray[np.float64], n: int, criterion: NDArray[np.float64]) -> float:
    """Sample, counted from the first of n, at which Akaike's criterion is least.

    The onset sample is the first one of the louder part: argmin + 1 where index i of the criterion
    splits after its (i + 1)-th sample.
    """
    total, squares = 0.0, 0.0
    for i in range(n):
        total += line[i]
        squares += line[i] * line[i]
    tiny = 1e-12 * squares / n + 1e-300
    head, head_squares = 0.0, 0.0
    best = 1
    for i in range(n - 2):
        head += line[i]
        head_squares += line[i] * line[i]
        k = i + 1
        before = head_squares / k - (head / k) ** 2
        after = (squares - head_squares) / (n - k) - ((total - head) / (n - k)) ** 2
        if not before > tiny:
            before = tiny
        if not after > tiny:
            after = tiny
        criterion[i] = k * np.log(before) + (n - k - 1) * np.log(after)
        if i > 1 and criterion[i] < criterion[best]:
            best = i
    shift = 0.0
    if 1 < best < n - 3:
        left, centre, right = criterion[best - 1], criterion[best], criterion[best + 1]
        bend = left - 2 * centre + right
        if bend > 0:
            shift = 0.5 * (left - right) / bend
    return best + 1 + shift
