"""Autocorrelation of the gated record: the lag at which the echoes lie on each other.

The record is first sharpened by the reference echo, so that one echo's autocorrelation is short;
the gate opens behind the interface echo where multiples are expected, else before it. For a
series of echoes each q times the one before, the normalised autocorrelation is q^n at n spacings:
the highest peak is the spacing itself. For an interface echo and one back-wall echo a times as
large it is a / (1 + a^2), with the sign of a. The record is
sharpened by a few taps where they do (`fir`), else by a transform that all detectors share and one
back; a shorter pair of transforms is for the autocorrelation.
"""

from typing import ClassVar

import numba
import numpy as np
import scipy
from echotrial.ascan import Batch, Readings, Reason
from echotrial.detector import Detect, Invariance, Maps, setting
from echotrial.setup import Setup
from numpy.typing import NDArray

from echotrial_detectors.correlation import Filter, sharpened_filter
from echotrial_detectors.diffraction import Spreading
from echotrial_detectors.flags import flagged, room
from echotrial_detectors.gate import interface_reach_s
from echotrial_detectors.interface import REPEAT_AT_LEAST, find_interface, height_at, least_share
from echotrial_detectors.kernels import COUNTS_NOTHING
from echotrial_detectors.noise import Loudness, Surveyor, fixed
from echotrial_detectors.peaks import cosine_peak, strongest
from echotrial_detectors.plan import EchoSettings, Plan, plan
from echotrial_detectors.reading import first_doubt
from echotrial_detectors.shorter import Repeats
from echotrial_detectors.tiles import portions

#: What stands in the gate is an echo from this many times `level_sigma`, and this share of the
#: record's strongest, on.
LOUD_SIGMA, LOUD_SHARE = 1.6, 0.08
#: After this many time constants of the fading nothing is left.
FADED_OUT = 3.0
#: A peak that the shape of one echo, and its repeating at twice the lag, explain to all but this
#: share is none of a spacing; tuned on the tune splits of three metals.
BEYOND_OWN = 0.18
#: Below so many periods the ringing of the probe and a burst of interference repeat as well as a
#: wall whose echoes lose a good part from one to the next: there the peak is this share of the
#: reflection, which is what each echo has of the one before; tuned on the tune splits.
CLOSE_PERIODS, CLOSE_SHARE = 2.0, 0.66
#: Lags at which the pulse's own autocorrelation exceeds this are left out where it can mislead.
OWN_LOBES = 0.1


class AutocorrelationSettings(EchoSettings):
    """Settings of `Autocorrelation`; it draws no line and asks for no evenness."""

    sharpness_db: float = setting(
        9.0, "as for correlation: how far the pulse's spectrum is levelled, dB",
        ge=0.0, le=50.0, candidates=(6.0, 9.0, 15.0),
    )  # fmt: skip
    least_height: float = setting(
        0.4, "least height of the peak, share of the energy in the gate (mode 2: two thirds of it)",
        ge=0.02, le=0.95, candidates=(0.3, 0.4, 0.5),
    )  # fmt: skip
    lead: float = setting(
        1.15, "the peak is this many times as high as any other that is not its multiple",
        ge=1.0, le=10.0, candidates=(1.05, 1.15, 1.4),
    )  # fmt: skip
    fade_periods: float = setting(
        20.0, "time constant of the exponential that fades the gate out, in periods",
        ge=2.0, le=200.0, candidates=(10.0, 20.0, 40.0),
    )  # fmt: skip


class Autocorrelation:
    """Highest peak of the autocorrelation behind the tail, within the wall range."""

    name: ClassVar[str] = "autocorrelation"
    version: ClassVar[str] = "5"
    Settings: ClassVar[type[AutocorrelationSettings]] = AutocorrelationSettings
    invariances: ClassVar[frozenset[Invariance]] = frozenset({"gain", "shift"})

    def prepare(
        self, setup: Setup, settings: AutocorrelationSettings, *, maps: Maps | None = None
    ) -> Detect:
        """Work out plan and gate; the filter waits for the first batch's length and rate."""
        planned = plan(setup, settings)
        filters: dict[tuple[int, float], tuple[Filter, NDArray[np.float32]]] = {}
        repeats, spreading = Repeats(planned), Spreading(planned)

        def detect(batch: Batch) -> Readings:
            key = (batch.n_fft, batch.rate_hz)
            if key not in filters:
                sharpener = sharpened_filter(setup, *key, settings.sharpness_db)
                filters[key] = sharpener, own_lags(planned, *key, settings)
            return repeats.kept(_read(batch, planned, settings, spreading, *filters[key]), batch)

        return detect


def own_lags(
    plan: Plan, n_fft: int, rate_hz: float, settings: AutocorrelationSettings
) -> NDArray[np.float32]:
    """Autocorrelation of a single sharpened echo, 1 at lag 0; long enough for the thickest wall."""
    held = _held(plan, n_fft, rate_hz, settings)
    wanted = held + min(int(plan.spacing_max_s * rate_hz) + 2, held)
    length = int(scipy.fft.next_fast_len(wanted, real=True))
    level = sharpened_filter(plan.setup, length, rate_hz, settings.sharpness_db).spectrum
    found = scipy.fft.irfft(level**2, n=length)
    return np.asarray(found / found[0], dtype=np.float32)


def _held(plan: Plan, m: int, rate_hz: float, settings: AutocorrelationSettings) -> int:
    """Samples of a faded gate that hold anything worth a transform, of m at most."""
    return min(m, int(FADED_OUT * settings.fade_periods * plan.period_s * rate_hz) + 1)


def _read(
    batch: Batch,
    plan: Plan,
    settings: AutocorrelationSettings,
    spreading: Spreading,
    sharpener: Filter,
    own: NDArray[np.float32],
) -> Readings:
    rate, (n, m) = batch.rate_hz, batch.samples.shape
    tail = sharpener.shape.tail
    stop = max(m - tail, 1)
    fall = float(np.exp(-1 / (settings.fade_periods * plan.period_s * rate)))
    held, length = _held(plan, batch.n_fft, rate, settings), own.size
    # no lag beyond twice the thickest wall's is looked at
    count = min(length, 2 * int(plan.spacing_max_s * rate) + 4)
    sign = plan.alternation if plan.mode == 3 else plan.sign * plan.interface_sign
    low, high = plan.spacing_min_s * rate, min(plan.spacing_max_s * rate, length - held)
    # Where the pulse's own lobes outdo a weak echo or pass for one of the other sign, what is left
    # of them after subtraction is not to be trusted where they are high.
    subtracted = plan.mode != 3 or sign < 0
    if subtracted:
        low = max(low, float(np.flatnonzero(np.abs(own[: length // 2]) > OWN_LOBES)[-1]))
    start, loud, faint, surveyor = np.empty(n), np.empty(n), np.empty(n), Surveyor(n, m)
    place, height, rival, beyond = np.empty((4, n))
    for portion in portions(batch, sharpener.transfer, fir=sharpener.fir):
        rows, sharp = portion.rows, portion.signal
        start[rows], least = _gate_start(batch, plan, settings, sharp, tail, rows)
        seen = surveyor.look(sharp, rows)
        loud[rows], faint[rows] = loudness(sharp, seen, start[rows], stop, least)
        gated = faded(sharp, start[rows], stop, fall, held, length)
        lags = autocorrelations(gated, count)
        energy = lags[:, 0].copy()
        if subtracted:
            lags -= energy[:, None] * own[:count]
        found = lag_peaks(lags, energy, low, high, sign, 0.75 * plan.period_s * rate)
        place[rows], height[rows], rival[rows] = found
        beyond[rows] = beyond_own(lags, energy, found[0], own)
    sigma = surveyor.survey().sigma
    quiet = is_quiet(loud, faint, sigma, settings.level_sigma)
    fade = settings.fade_periods * plan.period_s * rate
    lag = spreading.without(place, _after(plan, settings, tail, rate), fade, rate, m)
    thickness = plan.setup.thickness_m(lag / rate, 1, mode=3)
    reason = _reasons(plan, settings, sigma, quiet, thickness, place, height, rival, rate)
    if plan.mode == 3 and sign >= 0:
        lobe = (reason == Reason.READ) & (beyond < BEYOND_OWN * height)
        reason[lobe] = Reason.AMBIGUOUS
    silent = reason != Reason.READ
    with np.errstate(invalid="ignore", divide="ignore"):
        lead = np.clip(1 - rival / height, 0, 1)
    return Readings(
        np.where(silent, np.nan, thickness),
        spans=np.where(silent, np.nan, 1.0),
        gate_start_s=batch.start_s + np.maximum(start, 0) / rate,
        gate_end_s=batch.start_s + (m - 1) / rate,
        confidence=np.where(silent, np.nan, np.sqrt(lead * np.clip(height, 0, 1))),
        reason=reason,
    )


def _gate_start(
    batch: Batch,
    plan: Plan,
    settings: AutocorrelationSettings,
    sharp: NDArray[np.float32],
    tail: int,
    rows: slice,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Behind the interface echo's tail in mode 3, a little before the echo else; what is faint."""
    rate, start_s = batch.rate_hz, batch.start_s[rows]
    if plan.interface_s is None:
        after_s = plan.after_s if settings.gate_start_s is None else settings.gate_start_s
        return (after_s - start_s) * rate, np.zeros(len(sharp))
    nominal = (plan.interface_s - start_s) * rate
    found = find_interface(sharp, nominal, interface_reach_s(plan) * rate, plan.interface_sign)
    least = least_share(plan, REPEAT_AT_LEAST) * height_at(sharp, found)
    return found + _after(plan, settings, tail, rate), least


def _after(plan: Plan, settings: AutocorrelationSettings, tail: int, rate_hz: float) -> float:
    """Samples from the interface echo to the gate's start."""
    if plan.mode != 3:
        return -1.5 * plan.period_s * rate_hz
    return tail if settings.gate_start_s is None else settings.gate_start_s * rate_hz


def _reasons(
    plan: Plan,
    settings: AutocorrelationSettings,
    sigma: NDArray[np.float64],
    quiet: NDArray[np.bool_],
    thickness: NDArray[np.float64],
    place: NDArray[np.float64],
    height: NDArray[np.float64],
    rival: NDArray[np.float64],
    rate_hz: float,
) -> NDArray[np.int8]:
    low, high = plan.setup.wall_range
    tol = plan.setup.tolerance.of(thickness)
    least = np.full(place.shape, settings.least_height)
    if plan.mode != 3:
        least /= 1.5
    elif plan.setup.interface_reflection is not None:
        close = place < CLOSE_PERIODS * plan.period_s * rate_hz
        least[close] = np.maximum(least, CLOSE_SHARE * abs(plan.setup.interface_reflection))[close]
    doubts = [
        (np.isnan(sigma), Reason.BAD_SAMPLES),
        (quiet, Reason.NO_ECHO),
        (~(height >= least), Reason.LOW_CONFIDENCE),
        (height < settings.lead * rival, Reason.AMBIGUOUS),
        (~((thickness >= low - tol) & (thickness <= high + tol)), Reason.OUT_OF_RANGE),
    ]
    return first_doubt(doubts)


def loudness(
    signal: NDArray[np.float32],
    seen: Loudness,
    start: NDArray[np.float64],
    stop: int,
    least: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What stands behind `start` at most, and what is faint: at least `least`."""
    end = np.full(len(signal), stop)
    first = np.clip(start, 0, stop).astype(np.int64)
    loud = strongest(signal, seen, first, end)
    faint = LOUD_SHARE * strongest(signal, seen, np.zeros_like(first), end)
    return loud, np.maximum(faint, least)


def is_quiet(
    loud: NDArray[np.float64], faint: NDArray[np.float64], sigma: NDArray[np.float64],
    level_sigma: float,
) -> NDArray[np.bool_]:  # fmt: skip
    """Whether nothing behind the start stands above the noise and what is faint, (n,)."""
    return np.asarray(~(loud > np.maximum(faint, LOUD_SIGMA * level_sigma * sigma)))


def faded(
    signal: NDArray[np.float32],
    start: NDArray[np.float64],
    stop: int,
    fall: float,
    held: int,
    length: int,
) -> NDArray[np.float32]:
    """Records from `start` on, falling by `fall` a sample, nothing from sample `stop` on.

    (n, length), of which `held` samples hold something: the first one is that at `start`, so that
    what is not needed is not transformed.
    """
    n, m = signal.shape
    weight = np.full(held, fall, np.float32)
    weight[0] = 1.0
    np.multiply.accumulate(weight, out=weight)
    first = np.clip(np.ceil(start), 0, m).astype(np.int64)
    found = np.empty((n, length), np.float32)
    _fade(fixed(signal), first, stop, weight, found)
    return found


@numba.njit(**COUNTS_NOTHING)
def _fade(
    signal: NDArray[np.float32], first: NDArray[np.int64], stop: int, weight: NDArray[np.float32],
    found: NDArray[np.float32],
) -> None:  # fmt: skip
    for row in range(found.shape[0]):
        line, out = signal[row, first[row] : stop], found[row]
        count = line.size if line.size < weight.size else weight.size
        for i in range(count):
            out[i] = line[i] * weight[i]
        out[count:] = 0


def autocorrelations(gated: NDArray[np.float32], count: int) -> NDArray[np.float32]:
    """Autocorrelation of each record at the first lags, by transforms of its length, (n, count)."""
    spectrum = scipy.fft.rfft(gated, axis=1)
    _square(spectrum)
    whole = scipy.fft.irfft(spectrum, n=gated.shape[1], axis=1)
    return np.ascontiguousarray(whole[:, :count])


@numba.njit(**COUNTS_NOTHING)
def _square(spectrum: NDArray[np.complex64]) -> None:
    """In place of each value the square of its modulus."""
    for row in range(spectrum.shape[0]):
        line = spectrum[row]
        for i in range(line.size):
            line[i] = line[i].real * line[i].real + line[i].imag * line[i].imag


def beyond_own(
    lags: NDArray[np.float32],
    energy: NDArray[np.float32],
    place: NDArray[np.float64],
    own: NDArray[np.float32],
) -> NDArray[np.float64]:
    """What the peaks at `place` hold beyond one echo's own lobe, share of the energy, (n,).

    Echoes at twice that lag, alike to a share c, put c times the lobe there once more: with
    R(2 L) = c R(0), equal echoes give R(L) = (1 + c) own(L) R(0) without any echo at L between.
    """
    found = np.full(len(place), np.nan)
    _beyond_own(np.ascontiguousarray(lags), energy, place, own, found)
    return found


@numba.njit(**COUNTS_NOTHING)
def _beyond_own(
    lags: NDArray[np.float32], energy: NDArray[np.float32], place: NDArray[np.float64],
    own: NDArray[np.float32], found: NDArray[np.float64],
) -> None:  # fmt: skip
    for row in range(place.size):
        if not place[row] > 0:
            continue
        line, near = lags[row], int(np.rint(place[row]))
        twice = min(2 * near, line.size - 2)
        again = max(line[twice - 1], line[twice], line[twice + 1])
        share = float(again) / energy[row] if again > 0 else 0.0
        found[row] = float(line[near]) / energy[row] - abs(float(own[near])) * (1 + share)


def lag_peaks(
    lags: NDArray[np.float32],
    energy: NDArray[np.float32],
    low: float,
    high: float,
    sign: int,
    apart: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Place (samples), height over `energy`, and best rival's height of each record.

    A rival is a peak of the same sign more than `apart` samples away and not near a multiple.
    """
    n = lags.shape[0]
    place, height, rival = np.full(n, np.nan), np.zeros(n), np.zeros(n)
    first, last = max(int(low), 2), min(int(high) + 1, lags.shape[1] - 2)
    if first <= last:
        flags, peaks = room(last - first + 1)
        _lag_peaks(lags, energy, first, last, sign, apart, flags, peaks, place, height, rival)
    return place, height, rival


@numba.njit(**COUNTS_NOTHING)
def _lag_peaks(
    lags: NDArray[np.float32],
    energy: NDArray[np.float32],
    first: int,
    last: int,
    sign: int,
    apart: float,
    flags: NDArray[np.uint8],
    peaks: NDArray[np.int64],
    place: NDArray[np.float64],
    height: NDArray[np.float64],
    rival: NDArray[np.float64],
) -> None:
    for row in range(lags.shape[0]):
        if not energy[row] > 0:
            continue
        line = lags[row]
        _flag_peaks(line[first - 1 : last + 2], sign, flags)
        count = flagged(flags, last - first + 1, peaks)
        if count == 0:
            continue
        best, most = 0, np.float32(0)
        for k in range(count):  # which one is the highest cannot be foreseen
            at = first + peaks[k]
            size = abs(line[at])
            best, most = at if size > most else best, size if size > most else most
        place[row] = best + cosine_peak(line[best - 1], line[best], line[best + 1])[0]
        other, turns = np.float32(0), 1 / place[row]
        for k in range(count):
            at = first + peaks[k]
            order = max(np.rint(at * turns), 1.0)
            size = abs(line[at]) if abs(at - order * place[row]) > apart else np.float32(0)
            other = size if size > other else other
        height[row], rival[row] = float(most) / energy[row], float(other) / energy[row]


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _flag_peaks(line: NDArray[np.float32], sign: int, flags: NDArray[np.uint8]) -> None:
    """Flag the extrema of a sign (0: of either) among all samples but the outermost."""
    left, centre, right = line[:-2], line[1:-1], line[2:]
    upwards, downwards = sign >= 0, sign <= 0
    for i in range(right.size):
        value = centre[i]
        high = upwards & (value > 0) & (value >= left[i]) & (value > right[i])
        low = downwards & (value < 0) & (value <= left[i]) & (value < right[i])
        flags[i] = high | low
