"""Sparse deconvolution: a few signed spikes under the reference pulse explain the record.

Orthogonal matching pursuit (Mallat and Zhang, IEEE Trans. SP 41 (1993) 3397; Pati, Rezaiifar and
Krishnaprasad 1993; both from memory): the place where the rest of the record resembles the pulse
most is taken, then the heights of all spikes so far are fitted anew, and so on. The pulse's
autocorrelation is all that is needed. Spikes nearer than half a period to each other are not told
apart.
"""

from functools import partial
from typing import ClassVar

import numba
import numpy as np
import scipy
from echotrial.ascan import Batch, Readings
from echotrial.detector import Detect, Invariance, Maps, setting
from echotrial.setup import Setup
from numpy.typing import NDArray

from echotrial_detectors.peaks import Candidates, cosine_peak
from echotrial_detectors.plan import EchoSettings, plan
from echotrial_detectors.pulse import PulseShape, frequencies, pulse_spectrum, shape_of
from echotrial_detectors.reading import Look, Reader

#: Values of the pulse's autocorrelation to a sample.
FINE = 16
TAPS = 6


class SparseSettings(EchoSettings):
    """Settings of `Sparse`: few spikes are soon evenly spaced, so they have to stand out more."""

    level_sigma: float = setting(
        6.0, "an echo stands this many sigma above the noise",
        ge=3.0, le=20.0, candidates=(5.0, 6.0),
    )  # fmt: skip
    spikes: int = setting(
        12, "spikes that a record is explained by at most", ge=2, le=24, candidates=(8, 12, 16)
    )


class Sparse:
    """Spikes of a sparse deconvolution, equally spaced."""

    name: ClassVar[str] = "sparse"
    version: ClassVar[str] = "1"
    Settings: ClassVar[type[SparseSettings]] = SparseSettings
    invariances: ClassVar[frozenset[Invariance]] = frozenset({"gain", "shift"})

    def prepare(
        self, setup: Setup, settings: SparseSettings, *, maps: Maps | None = None
    ) -> Detect:
        """Work out plan and gate; the pulse waits for the first batch's length and rate."""
        planned = plan(setup, settings)
        after_s = planned.after_s if settings.gate_start_s is None else settings.gate_start_s
        reader = Reader(planned, settings, after_s)
        pulses: dict[
            tuple[int, float], tuple[NDArray[np.complex64], NDArray[np.float64], PulseShape]
        ] = {}

        def detect(batch: Batch) -> Readings:
            key = (batch.n_fft, batch.rate_hz)
            if key not in pulses:
                pulses[key] = matched_pulse(setup, *key)
            matched, autocorrelation, shape = pulses[key]
            m = batch.samples.shape[1]
            signal = scipy.fft.irfft(batch.spectrum * matched, n=batch.n_fft, axis=1)[:, :m]
            apart = 0.5 * planned.period_s * batch.rate_hz
            find = partial(spikes, autocorrelation, settings.spikes, apart)
            return reader.read(batch, signal, shape, find)

        return detect


def matched_pulse(
    setup: Setup, n_fft: int, rate_hz: float
) -> tuple[NDArray[np.complex64], NDArray[np.float64], PulseShape]:
    """Matched filter of unit gain, the pulse's autocorrelation at `FINE` values a sample, shape.

    The autocorrelation is (2 r + 1,), lag 0 in the middle with height 1.
    """
    pulse = pulse_spectrum(setup, frequencies(n_fft, rate_hz))
    power = np.abs(pulse) ** 2
    height = scipy.fft.irfft(power, n=n_fft)[0]
    fine = FINE * scipy.fft.irfft(power / height, n=FINE * n_fft)
    reach = FINE * (n_fft // 2 - 1)
    line = np.concatenate([fine[-reach:], fine[: reach + 1]])
    return (
        (np.conj(pulse) / height).astype(np.complex64),
        line,
        shape_of((power / height).astype(complex), n_fft),
    )


def spikes(
    autocorrelation: NDArray[np.float64], most: int, apart: float,
    signal: NDArray[np.float32], look: Look, shape: PulseShape, found: Candidates,
) -> None:  # fmt: skip
    """Candidates: spikes of a matching pursuit, in order of time, in `found`."""
    pursue(
        signal, look.first, look.last, look.level, autocorrelation, most, apart,
        found.sample, found.amplitude, found.count,
    )  # fmt: skip


@numba.njit(cache=True, nogil=True)
def pursue(
    signal: NDArray[np.float32], first: NDArray[np.int64], last: NDArray[np.int64],
    level: NDArray[np.float64], autocorrelation: NDArray[np.float64], most: int, apart: float,
    sample: NDArray[np.float64], amplitude: NDArray[np.float64], count: NDArray[np.int64],
) -> None:  # fmt: skip
    """Fill in the spikes that stand above `level` when all stronger ones are taken off."""
    for row in range(signal.shape[0]):
        count[row] = 0
        if not np.isfinite(level[row]):
            continue
        _pursue_one(
            signal[row], first[row], last[row], level[row], autocorrelation, most, apart,
            sample[row], amplitude[row], count[row:row + 1],
        )  # fmt: skip


@numba.njit(cache=True, nogil=True)
def _pursue_one(
    line: NDArray[np.float32], first: int, last: int, level: float,
    autocorrelation: NDArray[np.float64], most: int, apart: float,
    sample: NDArray[np.float64], amplitude: NDArray[np.float64], count: NDArray[np.int64],
) -> None:  # fmt: skip
    low, high = max(first, 1), min(last, line.size - 1)
    rest = line.astype(np.float64)
    place, height = np.empty(most), np.empty(most)
    gram, right = np.empty((most, most)), np.empty(most)
    n = 0
    while n < most:
        best, size = -1, level
        for i in range(low, high):
            here = abs(rest[i])
            if here == 0 or here < abs(rest[i - 1]) or here < abs(rest[i + 1]) or here < 0.7 * size:
                continue
            # Between samples a peak is higher than on them; a side lobe may sit on one.
            height_there = abs(cosine_peak(rest[i - 1], rest[i], rest[i + 1])[1])
            if height_there > size and _is_apart(place[:n], float(i), apart):
                best, size = i, height_there
        if best < 0:
            break
        shift = cosine_peak(rest[best - 1], rest[best], rest[best + 1])[0]
        place[n] = best + min(max(shift, -0.5), 0.5)
        right[n] = value_at(line, place[n])
        for j in range(n + 1):
            gram[n, j] = gram[j, n] = _at(autocorrelation, place[n] - place[j])
        n += 1
        for i in range(n):
            gram[i, i] = 1 + 1e-6
        height[:n] = np.linalg.solve(gram[:n, :n].copy(), right[:n].copy())
        for i in range(low - 1, high + 1):
            value = float(line[i])
            for j in range(n):
                value -= height[j] * _at(autocorrelation, i - place[j])
            rest[i] = value
    order = np.argsort(place[:n])
    kept = 0
    for j in order:
        if abs(height[j]) > level:
            sample[kept], amplitude[kept] = place[j], height[j]
            kept += 1
    count[0] = kept


@numba.njit(cache=True, nogil=True)
def _is_apart(place: NDArray[np.float64], where: float, apart: float) -> bool:
    return place.size == 0 or np.abs(place - where).min() >= apart


@numba.njit(cache=True, nogil=True)
def _at(autocorrelation: NDArray[np.float64], lag: float) -> float:
    where = autocorrelation.size // 2 + lag * FINE
    low = int(np.floor(where))
    if low < 0 or low + 1 >= autocorrelation.size:
        return 0.0
    share = where - low
    return float((1 - share) * autocorrelation[low] + share * autocorrelation[low + 1])


@numba.njit(cache=True, nogil=True)
def value_at(line: NDArray[np.float32], place: float) -> float:
    """Value between samples, by a sinc under a Lanczos window of `TAPS` samples to either side."""
    centre = int(np.floor(place))
    total = np.float64(0.0)
    for i in range(max(centre - TAPS + 1, 0), min(centre + TAPS + 1, line.size)):
        total += line[i] * np.sinc(place - i) * np.sinc((place - i) / TAPS)
    return float(total)


@numba.njit(cache=True, nogil=True)
def heights(signal: NDArray[np.float32], place: NDArray[np.float64]) -> NDArray[np.float64]:
    """`value_at` of each record at its own place, (n,); 0 outside the record."""
    found = np.zeros(place.size)
    for row in range(place.size):
        if 1 <= place[row] < signal.shape[1] - 2:
            found[row] = value_at(signal[row], place[row])
    return found
