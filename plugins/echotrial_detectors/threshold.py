"""Flank crossings, each refined by the zero crossing behind its greatest half-cycle."""

from typing import ClassVar

import numba
import numpy as np
from numpy.typing import NDArray

from echotrial.ascan import Batch, Readings
from echotrial.detector import Detect, Invariance, Maps
from echotrial.setup import Setup
from echotrial_detectors.gate import search_samples
from echotrial_detectors.noise import noise_sigma
from echotrial_detectors.peaks import Candidates, drop_side_lobes, strongest
from echotrial_detectors.plan import EchoSettings, plan
from echotrial_detectors.pulse import PulseShape, pulse_shape
from echotrial_detectors.reading import Reader, level_of


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
        after_s = planned.spacing_min_s if settings.gate_start_s is None else settings.gate_start_s
        reader = Reader(planned, settings, after_s)
        shapes: dict[float, PulseShape] = {}

        def detect(batch: Batch) -> Readings:
            if batch.rate_hz not in shapes:
                shapes[batch.rate_hz] = pulse_shape(setup, batch.n_fft, batch.rate_hz)
            m = batch.samples.shape[1]
            first, last = search_samples(planned, after_s, batch.start_s, batch.rate_hz, m)
            most = strongest(batch.samples, first, last)
            level = level_of(planned, settings, noise_sigma(batch.samples), most)
            found = Candidates.none(len(batch))
            step = setup.centre_frequency / batch.rate_hz
            find_crossings(
                batch.samples, first, last, level, step,
                found.sample, found.amplitude, found.count,
            )  # fmt: skip
            shape = shapes[batch.rate_hz]
            drop_side_lobes(found.sample, found.amplitude, found.count, shape.envelope)
            return reader.read(batch, found, level)

        return detect


@numba.njit(cache=True, nogil=True)
def find_crossings(
    samples: NDArray[np.float32],
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    level: NDArray[np.float64],
    step: float,
    sample: NDArray[np.float64],
    amplitude: NDArray[np.float64],
    count: NDArray[np.int64],
) -> None:
    """Fill in the echoes: flank, greatest half-cycle within a period, zero crossing behind it.

    Parameters
    ----------
    step
        Periods of the centre frequency from one sample to the next.
    """
    period = 1 / step
    for row in range(samples.shape[0]):
        line = samples[row]
        floor = np.float32(level[row])
        stop = min(last[row], line.size - 1)
        i, here = first[row], 0
        while i < stop and here < sample.shape[1]:
            if abs(line[i]) <= floor:
                i += 1
                continue
            peak = i
            j = i + 1
            while j < min(peak + 0.75 * period, stop):
                if abs(line[j]) > abs(line[peak]):
                    peak = j
                j += 1
            zero = zero_behind(line, peak, stop, step)
            if zero < 0:
                break
            sample[row, here] = zero
            amplitude[row, here] = line[peak]
            here += 1
            i = int(zero + 0.5 * period) + 1
        count[row] = here


@numba.njit(cache=True, nogil=True)
def zero_behind(line: NDArray[np.float32], peak: int, stop: int, step: float) -> float:
    """First zero after sample `peak`, on a sine of the centre frequency; -1 where there is none.

    With y0 = A sin p, y1 = A sin(p + w): tan p = y0 sin w / (y1 - y0 cos w). A straight line
    between the two samples would be off by up to some 0.1 w^2 / 2 pi samples.
    """
    i = peak
    while i < stop and line[i] * line[peak] > 0:
        i += 1
    if i == stop:
        return -1.0
    w = 2 * np.pi * step
    before, after = abs(line[i - 1]), -abs(line[i])
    sine, cosine = before * np.sin(w), after - before * np.cos(w)
    return i - 1 + np.arctan2(sine, -cosine) / w
