"""Flank crossings, each refined by the zero crossing behind its greatest half-cycle."""

from dataclasses import dataclass
from functools import partial
from typing import ClassVar

import numba
import numpy as np
from echotrial.ascan import Batch, Readings
from echotrial.detector import Detect, Invariance, Maps
from echotrial.setup import Setup
from numpy.typing import NDArray

from echotrial_detectors.peaks import Candidates
from echotrial_detectors.plan import EchoSettings, plan
from echotrial_detectors.pulse import FINE, PulseShape, frequencies, pulse_spectrum, shape_of
from echotrial_detectors.reading import Look, Reader


class ThresholdSettings(EchoSettings):
    """Settings of `Threshold`."""


class Threshold:
    """Where the signal crosses a level, refined by a zero crossing; equally spaced."""

    name: ClassVar[str] = "threshold"
    version: ClassVar[str] = "1"
    Settings: ClassVar[type[ThresholdSettings]] = ThresholdSettings
    invariances: ClassVar[frozenset[Invariance]] = frozenset({"gain", "shift"})

    def prepare(
        self, setup: Setup, settings: ThresholdSettings, *, maps: Maps | None = None
    ) -> Detect:
        """Work out plan and gate; the pulse's shape waits for the first batch's rate."""
        planned = plan(setup, settings)
        after_s = planned.after_s if settings.gate_start_s is None else settings.gate_start_s
        reader = Reader(planned, settings, after_s)
        pulses: dict[tuple[int, float], tuple[PulseShape, Mark]] = {}

        def detect(batch: Batch) -> Readings:
            key = (batch.n_fft, batch.rate_hz)
            if key not in pulses:
                shape = shape_of(pulse_spectrum(setup, frequencies(*key)), batch.n_fft)
                pulses[key] = shape, mark_of(setup, shape, batch.rate_hz)
            shape, mark = pulses[key]
            return reader.read(batch, levelled(batch.samples), shape, partial(crossings, mark))

        return detect


@numba.njit(cache=True, nogil=True, fastmath={"reassoc"})
def levelled(samples: NDArray[np.float32]) -> NDArray[np.float32]:
    """Records less their mean: a receiver's offset shifts flanks and zero crossings."""
    found = np.empty(samples.shape, np.float32)
    for row in range(samples.shape[0]):
        total = np.float32(0)
        for i in range(samples.shape[1]):
            total += samples[row, i]
        mean = np.float32(total / samples.shape[1])
        for i in range(samples.shape[1]):
            found[row, i] = samples[row, i] - mean
    return found


@dataclass(frozen=True)
class Mark:
    """Which zero crossing of an echo marks it, in samples.

    Attributes
    ----------
    step
        Periods of the centre frequency from one sample to the next.
    from_centroid
        Where the pulse has it, counted from the centroid of its energy; NaN = not known.
    to_peak
        From it to the pulse's envelope peak, where a mark is reported; 0 = not known.
    sign
        +1 where the pulse falls through it, -1 where it rises.
    """

    step: float
    from_centroid: float
    to_peak: float
    sign: int


def mark_of(setup: Setup, shape: PulseShape, rate_hz: float) -> Mark:
    """The mark of the set-up's reference echo; a synthesised pulse tells nothing of phase."""
    step = setup.centre_frequency / rate_hz
    if setup.reference_echo is None:
        return Mark(step, np.nan, 0.0, 1)
    wave, peak, fine = shape.template, shape.template.size // 2, step / FINE
    middle = centroid(wave, highest(wave, 0, wave.size), 1 / fine)
    zero = nearest_zero(wave, middle + 0.25 / fine, fine)
    place = abs(zero)
    return Mark(step, (place - middle) / FINE, (peak - place) / FINE, 1 if zero > 0 else -1)


def crossings(
    mark: Mark, signal: NDArray[np.float32], look: Look, shape: PulseShape, found: Candidates
) -> None:
    """Candidates: zero crossings behind flanks, moved to where the envelope's peak would be."""
    find_crossings(
        signal, look.first, look.last, look.level, mark.step, mark.from_centroid, mark.to_peak,
        mark.sign, found.sample, found.amplitude, found.count,
    )  # fmt: skip


@numba.njit(cache=True, nogil=True)
def find_crossings(
    samples: NDArray[np.float32],
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    level: NDArray[np.float64],
    step: float,
    from_centroid: float,
    to_peak: float,
    sign: int,
    sample: NDArray[np.float64],
    amplitude: NDArray[np.float64],
    count: NDArray[np.int64],
) -> None:
    """Fill in the echoes: a flank crosses the level, the zero crossing near the centroid refines.

    Which zero crossing must not hang on which half-cycle happens to be sampled highest: it is the
    one nearest to where the pulse has it, counted from the centroid of the energy.

    Parameters
    ----------
    step
        Periods of the centre frequency from one sample to the next.
    from_centroid, to_peak, sign
        As in `Mark`; where the first is NaN, that of the record's strongest echo is taken.
    """
    period = 1 / step
    for row in range(samples.shape[0]):
        line = samples[row]
        floor = np.float32(level[row])
        stop = min(last[row], line.size - 1)
        i, here, loudest = first[row], 0, -1
        while i < stop and here < sample.shape[1]:
            if abs(line[i]) <= floor:
                i += 1
                continue
            peak = highest(line, i, min(int(i + 0.75 * period) + 1, stop))
            sample[row, here] = centroid(line, peak, period)
            amplitude[row, here] = abs(line[peak])
            if loudest < 0 or abs(line[peak]) > amplitude[row, loudest]:
                loudest = here
            here += 1
            i = int(peak + 0.75 * period) + 1
        if here:
            offset = from_centroid
            if np.isnan(offset):
                middle = sample[row, loudest]
                offset = abs(nearest_zero(line, middle + 0.25 * period, step)) - middle
            here = _mark(line, sample[row], amplitude[row], here, offset, step)
            for k in range(here):
                sample[row, k] += to_peak
                amplitude[row, k] *= sign
        count[row] = here


@numba.njit(cache=True, nogil=True)
def _mark(
    line: NDArray[np.float32],
    sample: NDArray[np.float64],
    amplitude: NDArray[np.float64],
    count: int,
    offset: float,
    step: float,
) -> int:
    """Move each echo from its centroid to its zero crossing, which gives its sign too."""
    here = 0
    for i in range(count):
        zero = nearest_zero(line, sample[i] + offset, step)
        if zero != 0 and (here == 0 or abs(zero) > sample[here - 1] + 0.25 / step):
            sample[here] = abs(zero)
            amplitude[here] = amplitude[i] if zero > 0 else -amplitude[i]
            here += 1
    return here


@numba.njit(cache=True, nogil=True)
def highest(line: NDArray[np.float32], begin: int, end: int) -> int:
    """Sample of the greatest modulus."""
    peak = begin
    for i in range(begin + 1, end):
        if abs(line[i]) > abs(line[peak]):
            peak = i
    return peak


@numba.njit(cache=True, nogil=True)
def centroid(line: NDArray[np.float32], peak: int, reach: float) -> float:
    """Centroid of the energy within `reach` samples of one."""
    begin, end = max(0, int(peak - reach)), min(line.size, int(peak + reach) + 2)
    energy, moment = 0.0, 0.0
    for i in range(begin, end):
        energy += line[i] * line[i]
        moment += line[i] * line[i] * (i - begin)
    return float(begin + moment / energy) if energy > 0 else float(peak)


@numba.njit(cache=True, nogil=True)
def nearest_zero(line: NDArray[np.float32], target: float, step: float) -> float:
    """Zero crossing nearest to a place, within half a period; minus it where the signal rises.

    0 where there is none. Between two samples a sine of the centre frequency is laid: with
    y0 = A sin p, y1 = A sin(p + w), tan p = y0 sin w / (y1 - y0 cos w); a straight line would be
    off by some 0.02 w^2 samples.
    """
    middle = min(max(int(target), 0), line.size - 2)
    reach = int(0.5 / step) + 2
    best, nearest = -1, 0.5 / step + 1
    for k in range(2 * reach + 1):
        i = middle + ((k + 1) // 2 if k % 2 else -(k // 2))  # outwards from the target
        if 0 <= i < line.size - 1 and (line[i] > 0) != (line[i + 1] > 0):
            away = abs(i + line[i] / (line[i] - line[i + 1]) - target)
            if away < nearest:
                best, nearest = i, away
            elif best >= 0:
                break
        if best >= 0 and k // 2 > nearest + 1:
            break
    if best < 0:
        return 0.0
    w = 2 * np.pi * step
    before, after = abs(line[best]), abs(line[best + 1])
    place: float = best + np.arctan(before * np.sin(w) / (after + before * np.cos(w))) / w
    if after + before * np.cos(w) <= 0 or not best <= place <= best + 1:
        place = best + before / (before + after)
    return float(place) if line[best] > 0 else -float(place)
