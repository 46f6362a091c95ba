"""Flank crossings, each refined by the zero crossing behind its greatest half-cycle."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, partial
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
from echotrial_detectors.noise import MODULUS, Stretches, fixed, loud_until, survey_line
from echotrial_detectors.peaks import Candidates, flag_extrema
from echotrial_detectors.plan import EchoSettings, plan
from echotrial_detectors.pulse import FINE, PulseShape, frequencies, pulse_spectrum, shape_of
from echotrial_detectors.reading import Reader
from echotrial_detectors.tiles import NO_QUADRATURE, TILE, Portion, tiles
from echotrial_detectors.zeros import (
    OFF,
    TOGETHER,
    Carrier,
    ends,
    find_ends,
    flag_changes,
    lay_sines,
    nearest_zero,
)

#: From the half-cycle that crosses the level up to the echo's greatest one, at most so many times
#: three quarters of a period.
CLIMBS = 2


class ThresholdSettings(EchoSettings):
    """Settings of `Threshold`."""


class Threshold:
    """Where the signal crosses a level, refined by a zero crossing; equally spaced."""

    name: ClassVar[str] = "threshold"
    version: ClassVar[str] = "5"
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
    # one for all portions, so that it stays at hand
    room, seen = np.empty((min(TILE, n), m), np.float32), Stretches.room(min(TILE, n), m)
    for rows in tiles(n):
        size = min(rows.stop, n) - rows.start
        found, spread, loudest = room[:size], seen.spread[:size], seen.loudest[:size]
        bits = found.view(np.int32)
        _level(fixed(samples[rows]), found, bits, seen.length, spread, loudest.view(np.int32))
        yield Portion(rows, fixed(found), NO_QUADRATURE, Stretches(spread, loudest, seen.length))


@numba.njit(**COUNTS_NOTHING)
def _level(
    samples: NDArray[np.float32],
    found: NDArray[np.float32],
    bits: NDArray[np.int32],
    length: int,
    spread: NDArray[np.float32],
    loudest: NDArray[np.int32],
) -> None:
    for row in range(samples.shape[0]):
        level_line(samples[row], found[row])
        survey_line(found[row], bits[row], length, spread[row], loudest[row])


@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc"})
def level_line(line: NDArray[np.float32], found: NDArray[np.float32]) -> None:
    """A record less its mean."""
    total = np.float32(0)
    for i in range(line.size):
        total += line[i]
    mean = total * (np.float32(1) / np.float32(line.size))
    for i in range(line.size):
        found[i] = line[i] - mean


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

    @cached_property
    def carrier(self) -> Carrier:
        """The centre frequency."""
        return Carrier.of(self.step)


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
        mark.carrier, mark.from_centroid, mark.to_peak, mark.sign,
        *room(portion.signal.shape[1]), ends(), ends(), found.sample, found.amplitude, found.count,
    )  # fmt: skip


@numba.njit(**COUNTS_NOTHING)
def find_crossings(
    samples: NDArray[np.float32],
    loudest: NDArray[np.float32],
    length: int,
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    level: NDArray[np.float64],
    carrier: Carrier,
    from_centroid: float,
    to_peak: float,
    sign: int,
    flags: NDArray[np.uint8],
    places: NDArray[np.int64],
    near: NDArray[np.float32],
    alone: NDArray[np.float32],
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
    carrier
        The centre frequency.
    from_centroid, to_peak, sign
        As in `Mark`; where the first is NaN, that of the record's strongest echo is taken, and
        where that one has none, no echo counts.
    flags, places, near, alone
        From `flags.room` and `zeros.ends`.
    """
    period, m = carrier.period, samples.shape[1]
    margin = int(2 * period) + 2
    for group in range(0, samples.shape[0], TOGETHER):
        rows, total = range(group, min(group + TOGETHER, samples.shape[0])), 0
        for row in rows:
            line, place, height = samples[row], sample[row], amplitude[row]
            begin = first[row] if first[row] > 1 else 1
            stop = min(last[row], m - 1, loud_until(loudest[row], length, level[row]))
            n = stop - begin if stop > begin else 0
            if n > 0:
                flag_extrema(line[begin - 1 : stop + 1], np.float32(level[row]), flags)
            here = echo_peaks(line, begin, places, flagged(flags, n, places), period)
            count[row] = here = min(here, place.size)
            flag_changes(line, begin - margin, stop + margin, flags)
            offset = from_centroid
            for k in range(here):
                place[k], height[k] = centroid(line, places[k], period), abs(line[places[k]])
            if here and np.isnan(offset):
                strongest = place[highest(height, 0, here)]
                place[0], old = strongest + 0.25 * period, place[0]
                find_ends(line, flags, place, 1, carrier, alone, 0)
                lay_sines(alone, 1, carrier)
                offset = place[0] + alone[OFF] - strongest
                place[0] = old
            for k in range(here):
                place[k] += offset
            find_ends(line, flags, place, here, carrier, near, total)
            total += here
        lay_sines(near, total, carrier)
        total = 0
        for row in rows:
            here = count[row]
            count[row] = _keep(
                near, total, sample[row], amplitude[row], here, period, to_peak, sign
            )
            total += here


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _keep(
    near: NDArray[np.float32],
    at: int,
    place: NDArray[np.float64],
    height: NDArray[np.float64],
    n: int,
    period: float,
    to_peak: float,
    sign: int,
) -> int:
    """Move n places to their zero crossings, without those that share one; how many stay."""
    kept, before = 0, -period
    for k in range(n):
        falls, zero = near[at + k] * sign, place[k] + near[at + k + OFF]
        place[kept], height[kept] = zero + to_peak, height[k] * falls
        another = (falls != 0) & (zero > before + 0.25 * period)
        before = zero if another else before
        kept += another
    return kept


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
    hop, climb, bits = int(0.75 * period), int(0.75 * period * CLIMBS), line.view(np.int32)
    here, peak, climbed_to, after, top = -1, 0, -1, -1, np.int32(0)
    for j in range(count):
        k = begin + places[j]
        size = np.int32(bits[k] & MODULUS)
        another = k > after
        higher = another | ((k <= climbed_to) & (size > top))
        here += another
        climbed_to = k + climb if another else climbed_to
        peak, top = k if higher else peak, size if higher else top
        after = peak + hop
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


@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract"})
def centroid(line: NDArray[np.float32], peak: int, reach: float) -> float:
    """Centroid of the energy within `reach` samples of one."""
    begin, end = int(peak - reach), int(peak + reach) + 2
    begin, end = begin if begin > 0 else 0, end if end < line.size else line.size
    near, energy, moment = line[begin:end], np.float32(0), np.float32(0)
    for i in range(near.size):
        power = near[i] * near[i]
        energy += power
        moment += power * np.float32(i)
    return begin + float(moment) / float(energy) if energy > 0 else float(peak)
