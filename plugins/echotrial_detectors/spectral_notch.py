"""Resonances: the wall rings at whole numbers of half wavelengths, f_n = n v / (2 d).

The spectrum of what follows the interface echo, over the pulse's, has a maximum at every
resonance where the multiples have all one sign; where their signs alternate the maxima lie half way
between, at (n - 1/2) v / (2 d). (With the interface echo in the gate they are notches instead,
and none at all for a lossless wall, whose whole response is all-pass.) Frequencies of the maxima in
the band are put in order, each gets the whole number that belongs to it, and a line through zero
gives their spacing: the resonance method, older than pulse-echo gauging (common practice).
"""

from dataclasses import dataclass
from typing import ClassVar

import numba
import numpy as np
import scipy
from echotrial.ascan import Batch, Readings, Reason
from echotrial.detector import Detect, Invariance, Maps, setting
from echotrial.errors import NotApplicable
from echotrial.setup import Setup
from numpy.typing import NDArray

from echotrial_detectors.autocorrelation import faded, is_quiet, loudness
from echotrial_detectors.diffraction import Spreading
from echotrial_detectors.gate import interface_reach_s
from echotrial_detectors.interface import REPEAT_AT_LEAST, find_interface, height_at, least_share
from echotrial_detectors.noise import survey
from echotrial_detectors.peaks import parabola_peak
from echotrial_detectors.plan import EchoSettings, Plan, plan
from echotrial_detectors.pulse import frequencies, pulse_spectrum, shape_of
from echotrial_detectors.shorter import Repeats


class SpectralNotchSettings(EchoSettings):
    """Settings of `SpectralNotch`; it draws its line in frequency and asks for no evenness."""

    band_db: float = setting(
        20.0, "resonances count where the pulse's spectrum is less than this below its peak, dB",
        ge=3.0, le=40.0, candidates=(10.0, 14.0, 20.0),
    )  # fmt: skip
    prominence_db: float = setting(
        6.0, "how far a resonance stands out of its surroundings, dB",
        ge=1.0, le=40.0, candidates=(4.0, 6.0, 10.0),
    )  # fmt: skip
    misfit: float = setting(
        0.08, "rms distance of the resonances from their line, share of the spacing, at most",
        ge=0.005, le=0.3, candidates=(0.04, 0.08),
    )  # fmt: skip
    fade_periods: float = setting(
        25.0, "time constant of the exponential that fades the gate out, in periods (at least two "
        "round trips of the thickest wall)",
        ge=2.0, le=200.0, candidates=(15.0, 25.0, 50.0),
    )  # fmt: skip


class SpectralNotch:
    """Spacing of the resonances behind the interface echo."""

    name: ClassVar[str] = "spectral-notch"
    version: ClassVar[str] = "4"
    Settings: ClassVar[type[SpectralNotchSettings]] = SpectralNotchSettings
    invariances: ClassVar[frozenset[Invariance]] = frozenset({"gain", "shift"})

    def prepare(
        self, setup: Setup, settings: SpectralNotchSettings, *, maps: Maps | None = None
    ) -> Detect:
        """Work out plan and gate; the band waits for the first batch's rate.

        Raises
        ------
        NotApplicable
            Nothing resonates where multiples die out.
        """
        planned = plan(setup, settings)
        if setup.interface_reflection is not None and abs(setup.interface_reflection) < RESONATES:
            raise NotApplicable("too little comes back from the interface for a resonance")
        bands: dict[tuple[int, float], Band] = {}
        repeats, spreading = Repeats(planned), Spreading(planned)

        def detect(batch: Batch) -> Readings:
            key = (batch.n_fft, batch.rate_hz)
            if key not in bands:
                bands[key] = band_of(planned, *key, settings)
            return repeats.kept(_read(batch, planned, settings, spreading, bands[key]), batch)

        return detect


#: Reflection below which a second multiple is lost.
RESONATES = 0.4
#: A maximum lower than this share of the highest is a ripple in a valley.
TALL = 0.3
#: Two resonances fit many lines through zero.
FEWEST = 3
#: Resonances looked at in one record.
MOST = 40


@dataclass(frozen=True, eq=False)
class Band:
    """What depends on length and rate: transform length, bins in use, the pulse's level, its tail.

    `tail` and `rise` are samples between the pulse's envelope peak and its end, and its beginning.
    """

    length: int
    first: int
    level: NDArray[np.float64]
    tail: int
    rise: int


def band_of(plan: Plan, n_fft: int, rate_hz: float, settings: SpectralNotchSettings) -> Band:
    """Bins whose level is less than `band_db` below the greatest."""
    length = int(scipy.fft.next_fast_len(4 * n_fft, real=True))
    level = np.abs(pulse_spectrum(plan.setup, frequencies(length, rate_hz)))
    loud = np.flatnonzero(level > 10 ** (-settings.band_db / 20))
    first, last = int(loud[0]), int(loud[-1])
    shape = shape_of(pulse_spectrum(plan.setup, frequencies(n_fft, rate_hz)), n_fft)
    rise = round(1.0 * plan.period_s * rate_hz)
    return Band(length, first, level[first : last + 1], shape.tail, rise)


def _read(
    batch: Batch, plan: Plan, settings: SpectralNotchSettings, spreading: Spreading, band: Band
) -> Readings:
    rate, m = batch.rate_hz, batch.samples.shape[1]
    start, least = _gate_start(batch, plan, settings, band)
    fade = max(settings.fade_periods * plan.period_s, 2 * plan.spacing_max_s) * rate
    gated = faded(np.asarray(batch.samples), start, m, float(np.exp(-1 / fade)), m, m)
    looked = survey(np.asarray(batch.samples))
    spectrum = scipy.fft.rfft(gated, n=band.length, axis=1)
    seen = np.abs(spectrum[:, band.first : band.first + band.level.size])
    noise = looked.sigma * np.sqrt(0.5 * fade)
    half = 0.5 if plan.alternation < 0 else 0.0
    bin_hz = rate / band.length
    low, high = 1 / plan.spacing_max_s / bin_hz, 1 / plan.spacing_min_s / bin_hz
    found = resonances(
        seen, band.level, noise * settings.level_sigma / 2, 10 ** (settings.prominence_db / 20),
        band.first, half, low, high,
    )  # fmt: skip
    with np.errstate(divide="ignore", invalid="ignore"):
        lag = rate / (found.spacing * bin_hz)
        lag = spreading.without(lag, _after(settings, band, rate), fade, rate, m)
        thickness = plan.setup.thickness_m(lag / rate, 1, mode=3)
    samples, nothing = np.asarray(batch.samples), np.zeros(len(batch))
    loud, faint = loudness(samples, looked, start, m, nothing)
    # a period later, because the last of the interface echo is no echo of the wall
    wall, _ = loudness(samples, looked, start + plan.period_s * rate, m, nothing)
    quiet = is_quiet(loud, faint, looked.sigma, settings.level_sigma) | (wall < least)
    reason = _reasons(plan, settings, looked.sigma, quiet, found, thickness)
    silent = reason != Reason.READ
    sure = np.exp(-((found.misfit / settings.misfit) ** 2)) * (1 - 0.5 / np.maximum(found.count, 1))
    return Readings(
        np.where(silent, np.nan, thickness),
        spans=np.where(silent, np.nan, 1.0),
        gate_start_s=batch.start_s + np.maximum(start, 0) / rate,
        gate_end_s=batch.start_s + (m - 1) / rate,
        confidence=np.where(silent, np.nan, sure),
        reason=reason,
    )


def _gate_start(
    batch: Batch, plan: Plan, settings: SpectralNotchSettings, band: Band
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Behind the interface echo's tail, or where marks may begin on the clock; what is faint."""
    rate = batch.rate_hz
    if plan.interface_s is None:
        after_s = plan.after_s if settings.gate_start_s is None else settings.gate_start_s
        return (after_s - batch.start_s) * rate, np.zeros(len(batch))
    nominal = (plan.interface_s - batch.start_s) * rate
    found = find_interface(
        np.asarray(batch.samples), nominal, interface_reach_s(plan) * rate, plan.interface_sign
    )
    least = least_share(plan, REPEAT_AT_LEAST) * height_at(np.asarray(batch.samples), found)
    return found + _after(settings, band, rate), least


def _after(settings: SpectralNotchSettings, band: Band, rate_hz: float) -> float:
    """Samples from the interface echo to the gate's start."""
    return band.tail if settings.gate_start_s is None else settings.gate_start_s * rate_hz


@dataclass(frozen=True, eq=False)
class Resonances:
    """Spacing in bins (NaN = none), number of resonances, rms misfit over the spacing."""

    spacing: NDArray[np.float64]
    count: NDArray[np.int64]
    misfit: NDArray[np.float64]


def _reasons(
    plan: Plan,
    settings: SpectralNotchSettings,
    sigma: NDArray[np.float64],
    quiet: NDArray[np.bool_],
    found: Resonances,
    thickness: NDArray[np.float64],
) -> NDArray[np.int8]:
    low, high = plan.setup.wall_range
    tol = plan.setup.tolerance.of(thickness)
    doubts = [
        (np.isnan(sigma), Reason.BAD_SAMPLES),
        (quiet | (found.count == 0), Reason.NO_ECHO),
        (found.count < FEWEST, Reason.AMBIGUOUS),
        (~(found.misfit <= settings.misfit), Reason.UNEVEN_SPACING),
        (~((thickness >= low - tol) & (thickness <= high + tol)), Reason.OUT_OF_RANGE),
    ]
    return np.select(
        [doubt for doubt, _ in doubts], [int(why) for _, why in doubts], int(Reason.READ)
    ).astype(np.int8)


def resonances(
    seen: NDArray[np.float32], level: NDArray[np.float64], floor: NDArray[np.float64],
    prominence: float, first: int, half: float, low: float, high: float,
) -> Resonances:  # fmt: skip
    """Fit f_n = (n - half) spacing to the maxima of each spectrum over the pulse's.

    Parameters
    ----------
    seen, level
        Spectra (n, b) and the pulse's (b,), from bin `first` on.
    floor
        Level of the noise in `seen`, (n,).
    prominence
        Ratio to the lowest value between a maximum and its neighbours.
    low, high
        Spacings in question, bins.
    """
    n = len(seen)
    spacing, count, misfit = np.full(n, np.nan), np.zeros(n, np.int64), np.full(n, np.inf)
    _fit(
        seen, level, floor, prominence, first, half, low, high, np.empty(level.size),
        np.empty(MOST), np.empty(MOST), spacing, count, misfit,
    )  # fmt: skip
    return Resonances(spacing, count, misfit)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _fit(
    seen: NDArray[np.float32], level: NDArray[np.float64], floor: NDArray[np.float64],
    prominence: float, first: int, half: float, low: float, high: float,
    ratio: NDArray[np.float64], where: NDArray[np.float64], steps: NDArray[np.float64],
    spacing: NDArray[np.float64], count: NDArray[np.int64], misfit: NDArray[np.float64],
) -> None:  # fmt: skip
    for row in range(seen.shape[0]):
        if not floor[row] < np.inf:
            continue
        n = _maxima(seen, row, level, floor[row], prominence, ratio, where)
        count[row] = n
        if n < 2:
            continue
        trial = _median_step(where, n, steps)
        if not low <= trial <= high:
            spacing[row] = trial
            misfit[row] = 0.0
            continue
        for _ in range(3):
            top, bottom = 0.0, 0.0
            for i in range(n):
                order = np.rint((where[i] + first) / trial + half) - half
                top += order * (where[i] + first)
                bottom += order * order
            if bottom <= 0:
                break
            trial = top / bottom
        total = 0.0
        for i in range(n):
            order = np.rint((where[i] + first) / trial + half) - half
            total += ((where[i] + first) / trial - order) ** 2
        spacing[row], misfit[row] = trial, np.sqrt(total / n)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _median_step(where: NDArray[np.float64], n: int, steps: NDArray[np.float64]) -> float:
    """Median distance of neighbours among the first n; they are put in order in `steps`."""
    for i in range(n - 1):
        step, at = where[i + 1] - where[i], i
        while at > 0 and steps[at - 1] > step:
            steps[at] = steps[at - 1]
            at -= 1
        steps[at] = step
    return float(0.5 * (steps[(n - 1) // 2] + steps[(n - 2) // 2]))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _maxima(
    seen: NDArray[np.float32], row: int, level: NDArray[np.float64], floor: float,
    prominence: float, ratio: NDArray[np.float64], where: NDArray[np.float64],
) -> int:  # fmt: skip
    """Put the prominent maxima of `seen` over `level` in `where`, in order; gives their number.

    They are at least `TALL` times as high as the highest, and the spectrum there above `floor`.
    """
    tall, bins = 0.0, level.size
    for i in range(bins):
        ratio[i] = seen[row, i] / level[i]
        if ratio[i] > tall:
            tall = ratio[i]
    tall *= TALL
    n = 0
    valley = ratio[0]
    candidate, height = -1, 0.0
    for i in range(1, bins - 1):
        here = ratio[i]
        if candidate < 0:
            if here < valley:
                valley = here
            rises = here >= ratio[i - 1] and here > ratio[i + 1] and seen[row, i] > floor
            if rises and here > prominence * valley and here > tall:
                candidate, height = i, here
        elif here > height:
            candidate, height = i, here
        elif here * prominence < height:
            if n < where.size:
                a, b, c = ratio[candidate - 1], ratio[candidate], ratio[candidate + 1]
                where[n] = candidate + parabola_peak(a, b, c)[0]
                n += 1
            candidate, valley = -1, here
    return n
