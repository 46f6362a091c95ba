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

from echotrial_detectors.look import Look
from echotrial_detectors.peaks import Candidates, cosine_peak
from echotrial_detectors.plan import EchoSettings, plan
from echotrial_detectors.pulse import PulseShape, frequencies, pulse_spectrum, shape_of
from echotrial_detectors.reading import Reader
from echotrial_detectors.shorter import Repeats
from echotrial_detectors.tiles import Portion, portions

#: Values of the pulse's autocorrelation to a sample.
FINE = 16
TAPS = 6
#: So many spacings of a record tell whether it repeats at a part of them: behind them noise does;
#: tuned on the tune splits of the shipped specs.
SPACINGS = 10
#: The pulse's autocorrelation is cut where it stays below this.
FORGOTTEN = 1e-4


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
    version: ClassVar[str] = "5"
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
        repeats = Repeats(planned, SPACINGS)

        def detect(batch: Batch) -> Readings:
            key = (batch.n_fft, batch.rate_hz)
            if key not in pulses:
                pulses[key] = matched_pulse(setup, *key)
            matched, autocorrelation, shape = pulses[key]
            apart = 0.5 * planned.period_s * batch.rate_hz
            find = partial(spikes, autocorrelation, settings.spikes, apart)
            return repeats.kept(reader.read(batch, shape, portions(batch, matched), find), batch)

        return detect


def matched_pulse(
    setup: Setup, n_fft: int, rate_hz: float
) -> tuple[NDArray[np.complex64], NDArray[np.float64], PulseShape]:
    """Matched filter of unit gain, the pulse's autocorrelation at `FINE` values a sample, shape.

    The autocorrelation is (2 r + 1,), lag 0 in the middle with height 1, r a multiple of `FINE`.
    """
    pulse = pulse_spectrum(setup, frequencies(n_fft, rate_hz))
    power = np.abs(pulse) ** 2
    height = scipy.fft.irfft(power, n=n_fft)[0]
    fine = FINE * scipy.fft.irfft(power / height, n=FINE * n_fft)
    loud = np.flatnonzero(np.abs(fine[: FINE * (n_fft // 2 - 1)]) > FORGOTTEN)
    reach = FINE * (int(loud[-1]) // FINE + 2)
    line = np.concatenate([fine[-reach:], fine[: reach + 1]])
    return (
        (np.conj(pulse) / height).astype(np.complex64),
        line,
        shape_of((power / height).astype(complex), n_fft),
    )


def spikes(
    autocorrelation: NDArray[np.float64], most: int, apart: float,
    portion: Portion, look: Look, shape: PulseShape, found: Candidates,
) -> None:  # fmt: skip
    """Candidates: spikes of a matching pursuit, in order of time, in `found`."""
    pursue(
        portion.signal, look.first, look.last, look.level, autocorrelation, apart,
        np.empty(portion.signal.shape[1], np.float32), np.empty((most, most)), np.empty((4, most)),
        found.sample, found.amplitude, found.count,
    )  # fmt: skip


@numba.njit(cache=True, nogil=True, error_model="numpy")
def pursue(
    signal: NDArray[np.float32], first: NDArray[np.int64], last: NDArray[np.int64],
    level: NDArray[np.float64], autocorrelation: NDArray[np.float64], apart: float,
    rest: NDArray[np.float32], lower: NDArray[np.float64], spike: NDArray[np.float64],
    sample: NDArray[np.float64], amplitude: NDArray[np.float64], count: NDArray[np.int64],
) -> None:  # fmt: skip
    """Fill in the spikes that stand above `level` when all stronger ones are taken off.

    `rest` (m,), `lower` (k, k) and `spike` (4, k) are room to work in for k spikes at most: what is
    left of a record; the Cholesky factor of the spikes' inner products, which grows by a row with
    each spike; their places, heights, and both sides of the triangular equations.
    """
    m, most = signal.shape[1], spike.shape[1]
    for row in range(signal.shape[0]):
        count[row] = 0
        if not level[row] < np.inf:
            continue
        low = first[row] if first[row] > 1 else 1
        high = last[row] if last[row] < m - 1 else m - 1
        for i in range(m):
            rest[i] = signal[row, i]
        taken = 0
        for n in range(most):
            best = _loudest(rest, low, high, level[row], spike, n, apart)
            if best < 0:
                break
            shift = cosine_peak(rest[best - 1], rest[best], rest[best + 1])[0]
            if not -0.5 <= shift <= 0.5:
                shift = 0.5 if shift > 0 else -0.5
            spike[0, n] = best + shift
            _solve(value_at(signal, row, spike[0, n]), autocorrelation, lower, spike, n)
            _take_off(signal, row, low, high, autocorrelation, spike, n + 1, rest)
            taken = n + 1
        for j in range(taken):
            if not abs(spike[1, j]) > level[row]:
                continue
            at = count[row]
            while at > 0 and sample[row, at - 1] > spike[0, j]:
                sample[row, at] = sample[row, at - 1]
                amplitude[row, at] = amplitude[row, at - 1]
                at -= 1
            sample[row, at], amplitude[row, at] = spike[0, j], spike[1, j]
            count[row] += 1


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _loudest(
    rest: NDArray[np.float32], low: int, high: int, level: float, spike: NDArray[np.float64],
    n: int, apart: float,
) -> int:  # fmt: skip
    """The sample of the greatest peak of what is left that is not too near a spike, or -1."""
    best, size = -1, level
    for i in range(low, high):
        here = abs(rest[i])
        if here == 0 or here < abs(rest[i - 1]) or here < abs(rest[i + 1]) or here < 0.7 * size:
            continue
        # Between samples a peak is higher than on them; a side lobe may sit on one.
        height_there = abs(cosine_peak(rest[i - 1], rest[i], rest[i + 1])[1])
        if height_there > size:
            alone = True
            for j in range(n):
                alone = alone and abs(spike[0, j] - i) >= apart
            if alone:
                best, size = i, height_there
    return best


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _solve(
    right: float, autocorrelation: NDArray[np.float64], lower: NDArray[np.float64],
    spike: NDArray[np.float64], n: int,
) -> None:  # fmt: skip
    """Least-squares heights of n + 1 spikes when those of the first n are known."""
    for j in range(n + 1):
        total = 1 + 1e-6
        if j < n:
            where = autocorrelation.size // 2 + (spike[0, n] - spike[0, j]) * FINE
            at = int(np.floor(where))
            total = 0.0
            if 0 <= at < autocorrelation.size - 1:
                share = where - at
                total = (1 - share) * autocorrelation[at] + share * autocorrelation[at + 1]
        for k in range(j):
            total -= lower[n, k] * lower[j, k]
        lower[n, j] = total / lower[j, j] if j < n else np.sqrt(total if total > 1e-9 else 1e-9)
    for k in range(n):
        right -= lower[n, k] * spike[2, k]
    spike[2, n] = right / lower[n, n]
    for j in range(n, -1, -1):
        total = spike[2, j]
        for k in range(j + 1, n + 1):
            total -= lower[k, j] * spike[1, k]
        spike[1, j] = total / lower[j, j]


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _take_off(
    signal: NDArray[np.float32], row: int, low: int, high: int,
    autocorrelation: NDArray[np.float64], spike: NDArray[np.float64], n: int,
    rest: NDArray[np.float32],
) -> None:  # fmt: skip
    """What is left of a record without its spikes."""
    for i in range(low - 1, high + 1):
        rest[i] = signal[row, i]
    middle = autocorrelation.size // 2
    for j in range(n):
        begin, end = int(spike[0, j]) - middle // FINE + 1, int(spike[0, j]) + middle // FINE
        if begin < low - 1:
            begin = low - 1
        if end > high + 1:
            end = high + 1
        where = middle + (begin - spike[0, j]) * FINE
        at = int(np.floor(where))
        share = where - at
        for i in range(begin, end):
            between = (1 - share) * autocorrelation[at] + share * autocorrelation[at + 1]
            rest[i] -= np.float32(spike[1, j] * between)
            at += FINE


@numba.njit(cache=True, nogil=True, error_model="numpy")
def value_at(signal: NDArray[np.float32], row: int, place: float) -> float:
    """Value between samples, by a sinc under a Lanczos window of `TAPS` samples to either side."""
    centre = int(np.floor(place))
    total = 0.0
    for i in range(centre - TAPS + 1, centre + TAPS + 1):
        if 0 <= i < signal.shape[1]:
            x = np.pi * (place - i)
            weight = 1.0 if x == 0 else np.sin(x) * np.sin(x / TAPS) * TAPS / (x * x)
            total += signal[row, i] * weight
    return total


def heights(signal: NDArray[np.float32], place: NDArray[np.float64]) -> NDArray[np.float64]:
    """`value_at` of each record at its own place, (n,); 0 outside the record."""
    inside = (place >= 1) & (place < signal.shape[1] - 2)
    centre = np.floor(np.where(inside, place, 0.0)).astype(np.int64)
    taps = centre[:, None] + np.arange(1 - TAPS, TAPS + 1)
    there = inside[:, None] & (taps >= 0) & (taps < signal.shape[1])
    values = np.take_along_axis(signal, np.where(there, taps, 0), 1)
    away = np.where(inside, place, 0.0)[:, None] - taps
    weights = np.where(there, np.sinc(away) * np.sinc(away / TAPS), 0.0)
    return np.asarray(np.sum(values * weights, axis=1), dtype=np.float64)
