"""Cepstrum of the gated echoes: the spacing at which the logarithm of the spectrum ripples.

The complete response of a lossless wall is all-pass: its spectrum has no ripple, its power cepstrum
no echo. What is seen depends on the gate. Multiples alone, the interface echo gated off, are a
geometric series 1 / (1 - q E), whose log spectrum ripples as Re sum q^n E^n / n: peaks q^n / n at
the n-th multiple of the spacing. An interface echo and one back-wall echo (multiples die out) are
a pair 1 + a E with peaks -(-a)^n / n, or those of 1 / a where a exceeds 1 (Bogert, Healy, Tukey
1963; Oppenheim, Schafer, IEEE Signal Processing Magazine, September 2004).
"""

from dataclasses import dataclass
from typing import ClassVar

import numba
import numpy as np
import scipy
from echotrial.ascan import Batch, Readings, Reason
from echotrial.detector import Detect, Invariance, Maps, setting
from echotrial.setup import Setup
from numpy.typing import NDArray

from echotrial_detectors.correlation import sharpened_filter
from echotrial_detectors.diffraction import Spreading
from echotrial_detectors.gate import interface_reach_s
from echotrial_detectors.interface import REPEAT_AT_LEAST, find_interface, least_share
from echotrial_detectors.noise import Loudness, Surveyor, fixed
from echotrial_detectors.peaks import parabola_peak, strongest
from echotrial_detectors.plan import EchoSettings, Plan, plan
from echotrial_detectors.pulse import frequencies
from echotrial_detectors.reading import first_doubt
from echotrial_detectors.shorter import Repeats
from echotrial_detectors.tiles import portions

#: Powers of frequency that are taken off the log spectrum: attenuation, couplant, a pulse that is
#: not quite the reference.
TREND_ORDER = 2
#: Below this spacing, in periods, the half-wave resonance has left the band of a 60 % probe: the
#: log spectrum holds less than one ripple.
LEAST_SPACING_PERIODS = 0.66
#: Where signs alternate the resonance is a quarter wave: a film of couplant, or a slope of the
#: spectrum, looks like one unless the band holds a whole ripple (1 / 0.6 periods and a little).
LEAST_ALTERNATING_PERIODS = 1.8
#: An interface echo and one back-wall echo ripple by this share of the reflection at least; what a
#: pulse that is not quite the reference leaves is as high below this spacing.
PAIR_SHARE, LEAST_WEAK_PERIODS = 0.5, 2.4
#: At a true spacing the carrier is upright where the envelope peaks; farther apart than this, in
#: periods, the peak is no echo's.
UPRIGHT_WITHIN = 0.15
#: A gate that keeps the interface echo begins so many periods before it.
LEAD_PERIODS = 1.5
#: After this many time constants of the fading nothing is left.
FADED_OUT = 6.0
#: What stands in the gate is an echo from this many times `level_sigma`, and this share of the
#: interface echo, on.
LOUD_SIGMA, LOUD_SHARE = 1.25, 0.05
#: Where the interface echo is weak the back-wall echo outdoes it; on a dry record nothing does.
LOUD_BESIDE_WEAK = 0.3


class CepstralSettings(EchoSettings):
    """Settings of `Cepstral`; it draws no line through multiples and asks for no evenness."""

    with_interface: bool | None = setting(
        None,
        "keep the interface echo in the gate; None = only in mode 2, where multiples die out",
        candidates=(None, True, False),
    )
    sharpness_db: float = setting(
        20.0,
        "band used: where the pulse's power is above this many dB below its greatest",
        ge=5.0,
        le=50.0,
        candidates=(10.0, 20.0, 30.0),
    )
    fade_periods: float = setting(
        16.0,
        "time constant of the exponential that fades the gate out, in periods of the centre "
        "frequency (never less than 1.5 times the thickest wall's round trip)",
        ge=2.0,
        le=200.0,
        candidates=(8.0, 16.0, 32.0),
    )
    least_ripple: float = setting(
        0.3,
        "least height of the cepstral peak; a series of echoes each q times the one before has q",
        ge=0.02,
        le=0.95,
        candidates=(0.2, 0.3, 0.4),
    )
    lead: float = setting(
        1.3,
        "the peak is this many times as high as any other that is not its multiple",
        ge=1.0,
        le=10.0,
        candidates=(1.1, 1.3, 1.6),
    )


@dataclass(frozen=True, eq=False)
class Band:
    """What depends on the batch's length and rate alone.

    Attributes
    ----------
    transfer
        What makes a record's spectrum that of its sharpened correlation.
    tail
        Samples that a sharpened echo takes to die away.
    length
        Of the transforms to quefrency, at least twice the greatest spacing.
    log_pulse
        Logarithm of one echo's spectrum after `transfer`, (length // 2 + 1,).
    weight
        Of each frequency, sum 1.
    trend
        Orthonormal under `weight`, (TREND_ORDER + 1, length // 2 + 1).
    centre_hz
        Mean frequency under `weight`.
    fade
        What each sample from the gate's start on is multiplied by, as many as hold anything; an
        exponential keeps a geometric series geometric, so that the record's end cuts nothing off.
    """

    transfer: NDArray[np.complex64]
    tail: int
    length: int
    log_pulse: NDArray[np.float32]
    weight: NDArray[np.float32]
    trend: NDArray[np.float32]
    centre_hz: float
    fade: NDArray[np.float32]


def band_of(plan: Plan, n_fft: int, rate_hz: float, settings: CepstralSettings) -> Band:
    """Work out filter, weights and trends."""
    longest = int(np.ceil(2.2 * plan.spacing_max_s * rate_hz))
    fade = fade_s(plan, settings) * rate_hz
    held = min(n_fft, int(FADED_OUT * fade) + 1)
    length = int(scipy.fft.next_fast_len(max(held, min(longest, 4 * n_fft)), real=True))
    sharpened = sharpened_filter(plan.setup, n_fft, rate_hz, settings.sharpness_db)
    level = sharpened_filter(plan.setup, length, rate_hz, settings.sharpness_db).spectrum
    level = level / level.max()
    weight = level / level.sum()
    x = frequencies(length, rate_hz) / plan.setup.centre_frequency - 1
    powers = np.vander(x, TREND_ORDER + 1, increasing=True) * np.sqrt(weight)[:, None]
    basis = np.linalg.qr(powers)[0] / np.sqrt(np.maximum(weight, 1e-30))[:, None]
    basis[weight < 1e-12] = 0.0
    return Band(
        sharpened.transfer,
        sharpened.shape.tail,
        length,
        np.log(level + 1e-3).astype(np.float32),
        weight.astype(np.float32),
        np.ascontiguousarray(basis.T).astype(np.float32),
        float(weight @ frequencies(length, rate_hz)),
        np.exp(-np.arange(held) / fade).astype(np.float32),
    )


def fade_s(plan: Plan, settings: CepstralSettings) -> float:
    """Time constant of the exponential that fades the gate out."""
    return max(settings.fade_periods * plan.period_s, 1.5 * plan.spacing_max_s)


class Cepstral:
    """Greatest peak of the cepstrum over the reference's, within the wall range."""

    name: ClassVar[str] = "cepstral"
    version: ClassVar[str] = "5"
    Settings: ClassVar[type[CepstralSettings]] = CepstralSettings
    invariances: ClassVar[frozenset[Invariance]] = frozenset({"gain", "shift"})

    def prepare(
        self, setup: Setup, settings: CepstralSettings, *, maps: Maps | None = None
    ) -> Detect:
        """Work out plan and gate; filter and band wait for the first batch's length and rate."""
        planned = plan(setup, settings)
        bands: dict[tuple[int, float], Band] = {}
        repeats, spreading = Repeats(planned), Spreading(planned)

        def detect(batch: Batch) -> Readings:
            key = (batch.n_fft, batch.rate_hz)
            if key not in bands:
                bands[key] = band_of(planned, *key, settings)
            return repeats.kept(
                read_cepstra(batch, planned, settings, spreading, bands[key]), batch
            )

        return detect


def read_cepstra(
    batch: Batch, plan: Plan, settings: CepstralSettings, spreading: Spreading, band: Band
) -> Readings:
    """Readings of a batch from the cepstra of its gated, sharpened records."""
    rate, (n, m) = batch.rate_hz, batch.samples.shape
    rise, fade = 0.5 * plan.period_s * rate, fade_s(plan, settings) * rate
    low = max(plan.spacing_min_s, least_spacing_periods(plan, settings) * plan.period_s) * rate
    high = min(plan.spacing_max_s * rate, 0.45 * band.length)
    turn = 2 * np.pi * band.centre_hz / rate
    tail = band.tail + (
        LEAD_PERIODS * plan.period_s * rate if keeps_interface(plan, settings) else 0
    )
    peaks, start, surveyor = np.empty((4, n)), np.empty(n), Surveyor(n, m)
    most, before = np.empty(n), np.empty(n)
    # what the filter wraps around is left out
    for portion in portions(batch, band.transfer, max(m - band.tail, 1)):
        rows, sharp = portion.rows, portion.signal
        start[rows] = gate_start(batch, plan, settings, sharp, rows)
        seen = surveyor.look(sharp, rows)
        most[rows], before[rows] = behind_and_before(sharp, seen, start[rows], int(tail))
        gated = gate_records(sharp, start[rows], band.fade, rise, band.length)
        cepstrum = weighted_cepstrum(gated, band)
        peaks[:, rows] = cepstral_peaks(cepstrum, low, high, turn, ripple_sign(plan, settings))
    place, height, rival, tilt = peaks
    lag = spreading.without(place, _after_s(plan, settings) * rate, fade, rate, m)
    thickness = plan.setup.thickness_m(lag / rate, 1, mode=3)
    share = LOUD_BESIDE_WEAK if is_weak(plan, settings) else LOUD_SHARE
    if not keeps_interface(plan, settings):
        share = max(share, least_share(plan, REPEAT_AT_LEAST))
    sigma = surveyor.survey().sigma
    loud = (most > LOUD_SIGMA * settings.level_sigma * sigma) & (most > share * before)
    reason = _reasons(sigma, plan, settings, thickness, loud, height, rival, tilt)
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


def keeps_interface(plan: Plan, settings: CepstralSettings) -> bool:
    """Whether the interface echo stays in the gate."""
    if settings.with_interface is None:
        return plan.mode == 2
    return settings.with_interface and plan.interface_s is not None


def ripple_sign(plan: Plan, settings: CepstralSettings) -> int:
    """Sign of the ripple: of one echo over the one before; 0 where it is not known."""
    if keeps_interface(plan, settings):
        return plan.sign * plan.interface_sign
    return plan.alternation


def is_weak(plan: Plan, settings: CepstralSettings) -> bool:
    """Whether the gate holds an interface echo that is weak beside the back-wall echo."""
    return least_ripple(plan, settings) < settings.least_ripple


def least_spacing_periods(plan: Plan, settings: CepstralSettings) -> float:
    """Spacing below which a ripple is not told from a slope of the spectrum, in periods."""
    if is_weak(plan, settings):
        return LEAST_WEAK_PERIODS
    alternating = ripple_sign(plan, settings) < 0
    return LEAST_ALTERNATING_PERIODS if alternating else LEAST_SPACING_PERIODS


def least_ripple(plan: Plan, settings: CepstralSettings) -> float:
    """Least height of the peak: a weak interface echo beside a strong other one makes little."""
    reflection = plan.setup.interface_reflection
    if reflection is None or not keeps_interface(plan, settings):
        return settings.least_ripple
    return min(settings.least_ripple, PAIR_SHARE * abs(reflection))


def gate_start(
    batch: Batch, plan: Plan, settings: CepstralSettings, sharp: NDArray[np.float32], rows: slice
) -> NDArray[np.float64]:
    """Sample from which echoes are let in: a period behind the interface echo, or before it."""
    rate, start_s = batch.rate_hz, batch.start_s[rows]
    if plan.interface_s is None:
        after_s = plan.after_s if settings.gate_start_s is None else settings.gate_start_s
        return (after_s - start_s) * rate
    nominal = (plan.interface_s - start_s) * rate
    reach = interface_reach_s(plan) * rate
    found = find_interface(sharp, nominal, reach, plan.interface_sign)
    return np.asarray(found + _after_s(plan, settings) * rate)


def _after_s(plan: Plan, settings: CepstralSettings) -> float:
    """How long after the interface echo echoes are let in."""
    if keeps_interface(plan, settings):
        return -LEAD_PERIODS * plan.period_s
    return plan.period_s if settings.gate_start_s is None else settings.gate_start_s


def behind_and_before(
    sharp: NDArray[np.float32], seen: Loudness, start: NDArray[np.float64], tail: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What stands behind the interface echo's tail at most, and with that echo in it, (n,) each."""
    m = sharp.shape[1]
    behind = np.clip(start + tail, 0, m).astype(np.int64)
    before = np.clip(np.clip(start, 0, m).astype(np.int64) - 4 * tail, 0, m)
    end = np.full(len(sharp), m)
    return strongest(sharp, seen, behind, end), strongest(sharp, seen, before, end)


def _reasons(
    sigma: NDArray[np.float64],
    plan: Plan,
    settings: CepstralSettings,
    thickness: NDArray[np.float64],
    loud: NDArray[np.bool_],
    height: NDArray[np.float64],
    rival: NDArray[np.float64],
    tilt: NDArray[np.float64],
) -> NDArray[np.int8]:
    low, high = plan.setup.wall_range
    tol = plan.setup.tolerance.of(thickness)
    doubts = [
        (np.isnan(sigma), Reason.BAD_SAMPLES),
        (~loud, Reason.NO_ECHO),
        (~(height >= least_ripple(plan, settings)), Reason.LOW_CONFIDENCE),
        (height < settings.lead * rival, Reason.AMBIGUOUS),
        (np.abs(tilt) > UPRIGHT_WITHIN, Reason.POOR_FIT),
        (~((thickness >= low - tol) & (thickness <= high + tol)), Reason.OUT_OF_RANGE),
    ]
    return first_doubt(doubts)


def gate_records(
    signal: NDArray[np.float32],
    start: NDArray[np.float64],
    fade: NDArray[np.float32],
    rise: float,
    length: int,
) -> NDArray[np.float32]:
    """Records from `start` on, that sample first, faded in over `rise` samples, times `fade`.

    (n, length): nothing stands behind the fade.
    """
    gated = np.empty((len(signal), length), np.float32)
    _gate(fixed(signal), start, fade, rise, gated)
    return gated


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _gate(
    signal: NDArray[np.float32],
    start: NDArray[np.float64],
    fade: NDArray[np.float32],
    rise: float,
    gated: NDArray[np.float32],
) -> None:
    for row in range(signal.shape[0]):
        first = int(np.ceil(start[row])) if start[row] > 0 else 0
        line, open_ = signal[row, first:], gated[row]
        count = line.size if line.size < fade.size else fade.size
        for i in range(count):
            open_[i] = line[i] * fade[i]
        open_[count:] = 0
        for i in range(count):
            ramp = first + i - start[row]
            if not ramp < rise:
                break
            open_[i] *= np.float32(ramp / rise)


def weighted_cepstrum(gated: NDArray[np.float32], band: Band) -> NDArray[np.complex64]:
    """One-sided cepstrum over the pulse's: 2 sum_f w (log|X| - log|P| - trend) exp(-2 pi j f q).

    Scaled so that a series of echoes each q times the one before has modulus q at its spacing, and
    phase 0 there (pi where signs alternate). The sign of the exponent is that of a transform of
    real values, which the ripple has: at half the cost of a complex one, quefrencies up to half the
    length. Returns (n, length // 2 + 1).
    """
    spectrum = scipy.fft.rfft(gated, axis=1)
    padded = np.zeros((len(gated), band.length), np.float32)
    ripple = padded[:, : spectrum.shape[1]]
    _power(spectrum, padded)
    np.log(ripple, out=ripple)
    weighted_ripple(padded, band.log_pulse, band.weight, band.trend)
    return np.asarray(scipy.fft.rfft(padded, axis=1))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _power(spectrum: NDArray[np.complex64], out: NDArray[np.float32]) -> None:
    for row in range(spectrum.shape[0]):
        line, into = spectrum[row], out[row]
        for i in range(line.size):
            into[i] = line[i].real * line[i].real + line[i].imag * line[i].imag + np.float32(1e-30)


@numba.njit(
    cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract", "nsz"}
)  # fmt: skip
def weighted_ripple(
    ripple: NDArray[np.float32],
    log_pulse: NDArray[np.float32],
    weight: NDArray[np.float32],
    trend: NDArray[np.float32],
) -> None:
    """In place of each power's logarithm twice the weighted one of its root over the pulse's.

    Less its trend; what stands behind as many values as there are weights stays.
    """
    for row in range(ripple.shape[0]):
        line = ripple[row, : weight.size]
        for i in range(line.size):
            line[i] = np.float32(0.5) * line[i] - log_pulse[i]
        for k in range(trend.shape[0]):
            slope, part = trend[k], np.float32(0.0)
            for i in range(line.size):
                part += line[i] * weight[i] * slope[i]
            for i in range(line.size):
                line[i] -= part * slope[i]
        for i in range(line.size):
            line[i] *= np.float32(2) * weight[i]


def cepstral_peaks(
    cepstrum: NDArray[np.complex64], low: float, high: float, turn: float, sign: int
) -> NDArray[np.float64]:
    """Place (samples, NaN = none), height, best rival's height and tilt (periods) of each peak.

    The place is where the carrier is upright, `tilt` after the envelope's peak: a ripple of the
    sign asked for has phase 0 (or pi) at its spacing. A rival is a peak more than a period away
    and not near a multiple of the place. (4, n).

    Parameters
    ----------
    low, high
        Quefrencies between which the peak lies, in samples.
    turn
        Phase of the carrier from one sample to the next.
    sign
        Of the ripple; 0 = either.
    """
    found = np.zeros((4, len(cepstrum)))
    found[0] = np.nan
    _peaks(cepstrum, low, high, turn, sign, np.empty(cepstrum.shape[1]), found)
    return found


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _peaks(
    cepstrum: NDArray[np.complex64],
    low: float,
    high: float,
    turn: float,
    sign: int,
    power: NDArray[np.float64],
    found: NDArray[np.float64],
) -> None:
    peaks = np.empty(power.size, np.int64)
    begin, end = int(np.ceil(low)), int(high) + 1
    begin = begin if begin > 1 else 1
    end = end if end < power.size - 2 else power.size - 2
    for row in range(cepstrum.shape[0]):
        line = cepstrum[row]
        for i in range(begin - 1, end + 1):
            power[i] = line[i].real * line[i].real + line[i].imag * line[i].imag
        count = 0
        for i in range(begin, end):  # a place is kept by counting on, which wants no branch
            peaks[count] = i
            count += (power[i] >= power[i - 1]) & (power[i] > power[i + 1])
        if count == 0:
            continue
        best, rival = peaks[0], 0.0
        for i in peaks[1:count]:
            if power[i] > power[best]:
                best = i
        for i in peaks[:count]:
            if power[i] > rival:
                order = np.rint(i / best)
                order = order if order > 1 else 1.0
                if abs(i - order * best) * turn > 2 * np.pi:
                    rival = power[i]
        top = np.sqrt(power[best])
        # from sample `best` to the envelope's peak, and from there to where the carrier is upright
        coarse = parabola_peak(np.sqrt(power[best - 1]), top, np.sqrt(power[best + 1]))[0]
        cosine, sine = np.cos(turn * coarse), np.sin(turn * coarse)
        real = line[best].real * cosine + line[best].imag * sine
        imaginary = line[best].real * sine - line[best].imag * cosine
        if sign < 0 or (sign == 0 and real < 0):
            real, imaginary = -real, -imaginary
        shift = -np.arctan2(imaginary, real) / turn
        found[0, row] = best + coarse + shift
        found[1, row] = top
        found[2, row] = np.sqrt(rival)
        found[3, row] = shift * turn / (2 * np.pi)
