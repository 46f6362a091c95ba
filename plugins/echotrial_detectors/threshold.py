"""Flank crossings, each refined by the zero crossing behind its greatest half-cycle."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from typing import ClassVar

import numba
import numpy as np
from echotrial.ascan import Batch, Readings
from echotrial.detector import Detect, Invariance, Maps
from echotrial.setup import Setup
from numpy.typing import NDArray

from echotrial_detectors.flags import flagged, room
from echotrial_detectors.kernels import COUNTS_NOTHING
from echotrial_detectors.look import Look
from echotrial_detectors.noise import fixed, loud_until
from echotrial_detectors.peaks import Candidates, arctan, flag_extrema
from echotrial_detectors.plan import EchoSettings, plan
from echotrial_detectors.pulse import FINE, PulseShape, frequencies, pulse_spectrum, shape_of
from echotrial_detectors.reading import Reader
from echotrial_detectors.tiles import NO_QUADRATURE, TILE, Portion, tiles

#: From the half-cycle that crosses the level up to the echo's greatest one, at most so many times
#: three quarters of a period.
CLIMBS = 2


class ThresholdSettings(EchoSettings):
    """Settings of `Threshold`."""


class Threshold:
    """Where the signal crosses a level, refined by a zero crossing; equally spaced."""

    name: ClassVar[str] = "threshold"
    version: ClassVar[str] = "4"
    Settings: ClassVar[type[ThresholdSettings]] = ThresholdSettings
    invariances: ClassVar[frozenset[Invariance]] = frozenset({"gain", "shift"})

    def __init__(self, lead: float = 1.0) -> None:
        """`lead`: share of the interface echo that stands in the records."""
        self._lead = lead

    def prepare(
        self, setup: Setup, settings: ThresholdSettings, *, maps: Maps | None = None
    ) -> Detect:
        """Work out plan and gate; the pulse's shape waits for the first batch's rate."""
        planned = plan(setup, settings)
        after_s = planned.after_s if settings.gate_start_s is None else settings.gate_start_s
        # without a reference echo the mark's place in its echo is not known: spreading is less
        exact = setup.reference_echo is not None or planned.mode != 1
        reader = Reader(planned, settings, after_s, lead=self._lead, spreads=exact)
        pulses: dict[tuple[int, float], tuple[PulseShape, Mark]] = {}

        def detect(batch: Batch) -> Readings:
            key = (batch.n_fft, batch.rate_hz)
            if key not in pulses:
                shape = shape_of(pulse_spectrum(setup, frequencies(*key)), batch.n_fft)
                pulses[key] = shape, mark_of(setup, shape, batch.rate_hz)
            shape, mark = pulses[key]
            return reader.read(batch, shape, levelled(batch.samples), partial(crossings, mark))

        return detect


def levelled(samples: NDArray[np.float32]) -> Iterator[Portion]:
    """Records less their mean: a receiver's offset shifts flanks and zero crossings."""
    n, m = samples.shape
    room = np.empty((min(TILE, n), m), np.float32)  # one for all portions, so that it stays at hand
    for rows in tiles(n):
        found = room[: min(rows.stop, n) - rows.start]
        _level(fixed(samples[rows]), found)
        yield Portion(rows, fixed(found), NO_QUADRATURE)


@numba.njit(**COUNTS_NOTHING, fastmath={"reassoc"})
def _level(samples: NDArray[np.float32], found: NDArray[np.float32]) -> None:
    for row in range(samples.shape[0]):
        line, level = samples[row], found[row]
        total = np.float32(0)
        for i in range(line.size):
            total += line[i]
        mean = total * (np.float32(1) / np.float32(line.size))
        for i in range(line.size):
            level[i] = line[i] - mean


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
    wave = fixed(wave)
    middle = centroid(wave, highest(wave, 0, wave.size), 1 / fine)
    zero = nearest_zero(wave, middle + 0.25 / fine, fine)
    place = abs(zero)
    return Mark(step, (place - middle) / FINE, (peak - place) / FINE, 1 if zero > 0 else -1)


def crossings(
    mark: Mark, portion: Portion, look: Look, shape: PulseShape, found: Candidates
) -> None:
    """Candidates: zero crossings behind flanks, moved to where the envelope's peak would be."""
    find_crossings(
        portion.signal, look.loudest, look.length, look.first, look.last, look.level,
        mark.step, mark.from_centroid, mark.to_peak, mark.sign, *room(portion.signal.shape[1]),
        found.sample, found.amplitude, found.count,
    )  # fmt: skip


@numba.njit(**COUNTS_NOTHING)
def find_crossings(
    samples: NDArray[np.float32],
    loudest: NDArray[np.float32],
    length: int,
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    level: NDArray[np.float64],
    step: float,
    from_centroid: float,
    to_peak: float,
    sign: int,
    flags: NDArray[np.uint8],
    places: NDArray[np.int64],
    sample: NDArray[np.float64],
    amplitude: NDArray[np.float64],
    count: NDArray[np.int64],
) -> None:
    """Fill in the echoes: a flank crosses the level, the zero crossing near the centroid refines.

    Which zero crossing must not hang on which half-cycle happens to be sampled highest: it is the
    one nearest to where the pulse has it, counted from the centroid of the energy.

    Parameters
    ----------
    loudest, length
        As in `noise.Survey`: they tell from where on nothing exceeds the level.
    step
        Periods of the centre frequency from one sample to the next.
    from_centroid, to_peak, sign
        As in `Mark`; where the first is NaN, that of the record's strongest echo is taken.
    flags, places
        From `flags.room`.
    """
    period, w = 1 / step, 2 * np.pi * step
    sine, cosine = np.sin(w), np.cos(w)
    most = sample.shape[1]
    for row in range(samples.shape[0]):
        line, place, height = samples[row], sample[row], amplitude[row]
        begin = first[row] if first[row] > 1 else 1
        stop = min(last[row], line.size - 1, loud_until(loudest[row], length, level[row]))
        n = stop - begin if stop > begin else 0
        if n > 0:
            flag_extrema(line[begin - 1 : stop + 1], np.float32(level[row]), flags)
        here = min(echo_peaks(line, begin, places, flagged(flags, n, places), period), most)
        strongest = 0
        for k in range(here):
            place[k], height[k] = centroid(line, places[k], period), abs(line[places[k]])
            strongest = k if height[k] > height[strongest] else strongest
        offset = from_centroid
        if here and np.isnan(offset):
            middle = place[strongest] + 0.25 * period
            offset = abs(zero_near(line, middle, step, sine, cosine)) - place[strongest]
        kept, before = 0, -period
        for k in range(here):
            zero = zero_near(line, place[k] + offset, step, sine, cosine)
            size = height[k] * sign
            place[kept], height[kept] = abs(zero) + to_peak, size if zero > 0 else -size
            another = (zero != 0) & (abs(zero) > before + 0.25 * period)
            before = abs(zero) if another else before
            kept += another
        count[row] = kept


@numba.njit(cache=True, nogil=True, error_model="numpy")
def echo_peaks(
    line: NDArray[np.float32],
    begin: int,
    places: NDArray[np.int64],
    count: int,
    period: float,
) -> int:
    """Put the greatest half-cycle of each echo first in `places`; gives their number.

    So many `places` are all half-cycles above the level, counted from `begin`. From the first one
    of an echo up to its greatest one, at most `CLIMBS` times three quarters of a period: the first
    ones of a high echo exceed a low level too. Which is which cannot be foreseen: no branch hangs
    on it.
    """
    here, peak, climbed_to, after, top = -1, 0, -1.0, -1.0, np.float32(0)
    for j in range(count):
        k = begin + places[j]
        size = abs(line[k])
        another = k > after
        higher = another | ((k <= climbed_to) & (size > top))
        here += another
        climbed_to = k + 0.75 * period * CLIMBS if another else climbed_to
        peak, top = k if higher else peak, size if higher else top
        after = peak + 0.75 * period
        places[here] = peak  # never ahead of what is still to be read
    return here + 1


@numba.njit(cache=True, nogil=True, error_model="numpy")
def highest(line: NDArray[np.float32], begin: int, end: int) -> int:
    """Sample of the greatest modulus."""
    peak, most = begin, abs(line[begin])
    for i in range(begin + 1, end):
        size = abs(line[i])
        peak = i if size > most else peak
        most = size if size > most else most
    return peak


@numba.njit(cache=True, nogil=True, error_model="numpy")
def centroid(line: NDArray[np.float32], peak: int, reach: float) -> float:
    """Centroid of the energy within `reach` samples of one."""
    begin, end = int(peak - reach), int(peak + reach) + 2
    begin, end = begin if begin > 0 else 0, end if end < line.size else line.size
    energy, moment, after = np.float32(0), np.float32(0), np.float32(0)
    for value in line[begin:end]:
        power = value * value
        energy += power
        moment += power * after
        after += np.float32(1)
    return begin + float(moment) / float(energy) if energy > 0 else float(peak)


def nearest_zero(line: NDArray[np.float32], target: float, step: float) -> float:
    """Zero crossing nearest to a place, within half a period; minus it where the signal rises.

    0 where there is none. Between two samples a sine of the centre frequency is laid: with
    y0 = A sin p, y1 = A sin(p + w), tan p = y0 sin w / (y1 - y0 cos w); a straight line would be
    off by some 0.02 w^2 samples.
    """
    w = 2 * np.pi * step
    return float(zero_near(fixed(line), float(target), step, float(np.sin(w)), float(np.cos(w))))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def zero_near(
    line: NDArray[np.float32], target: float, step: float, sine: float, cosine: float
) -> float:
    """`nearest_zero` for a carrier that turns by the angle of this sine and cosine a sample."""
    reach = 0.5 / step + 1
    best, nearest = -1, reach
    middle, steps = int(target), int(reach) + 2
    middle = middle if middle > 0 else 0
    middle = middle if middle < line.size - 2 else line.size - 2
    for side in range(2):  # the first one from the target on, the first one before it
        i = middle - side
        for _ in range(steps):
            if not 0 <= i < line.size - 1:
                break
            before, after = line[i], line[i + 1]
            if (before > 0) != (after > 0):
                away = abs(i + before / (before - after) - target)
                if away < nearest:
                    best, nearest = i, away
                break
            i += 1 - 2 * side
    if best < 0:
        return 0.0
    before, after = abs(float(line[best])), abs(float(line[best + 1]))
    turn = arctan(before * sine / (after + before * cosine))
    place = best + turn / (2 * np.pi * step)
    if after + before * cosine <= 0 or not best <= place <= best + 1:
        place = best + before / (before + after)
    return float(place if line[best] > 0 else -place)
