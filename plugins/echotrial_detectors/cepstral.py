"""Cepstrum of the gated echoes: the spacing at which the logarithm of the spectrum ripples.

The complete response of a lossless wall is all-pass: its spectrum has no ripple, its power cepstrum
no echo. What is seen depends on the gate. Multiples alone, the interface echo gated off, are a
geometric series 1 / (1 - q E), whose log spectrum ripples as Re sum q^n E^n / n: peaks q^n / n at
the n-th multiple of the spacing. An interface echo and one back-wall echo (multiples die out) are
a pair 1 + a E with peaks -(-a)^n / n, or those of 1 / a where a exceeds 1 (Bogert, Healy, Tukey
1963; Oppenheim, Schafer, IEEE Signal Processing Magazine, September 2004).
"""

from typing import ClassVar

import numpy as np
import scipy
from echotrial.ascan import Batch, Readings, Reason
from echotrial.detector import Detect, Invariance, Maps, setting
from echotrial.setup import Setup
from numpy.typing import NDArray

from echotrial_detectors.cepstrum import (
    Band,
    Scale,
    cepstral_peaks,
    gate_records,
    weighted_cepstrum,
)
from echotrial_detectors.correlation import sharpened_filter
from echotrial_detectors.diffraction import Spreading
from echotrial_detectors.gate import interface_reach_s
from echotrial_detectors.interface import REPEAT_AT_LEAST, find_interface, least_share
from echotrial_detectors.noise import Loudness, Surveyor
from echotrial_detectors.peaks import strongest
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
#: Below so many periods the gate takes a part of the first echo, and the trend one of the ripple:
#: places are put right by those of ideal trains, this far apart.
SCALED_PERIODS, SCALE_STEP_PERIODS = 3.0, 0.02
#: Parts of a sample at which the interface echo of such a train lies, to be averaged over.
PHASES = (0.0, 0.25, 0.5, 0.75)
#: An interface echo and one back-wall echo ripple by this share of the reflection at least; what a
#: pulse that is not quite the reference leaves is as high below this spacing.
PAIR_SHARE, LEAST_WEAK_PERIODS = 0.5, 2.4
#: At a true spacing the carrier is upright where the envelope peaks; farther apart than this, in
#: periods, the peak is no echo's.
UPRIGHT_WITHIN = 0.15
#: A gate that keeps the interface echo begins so many periods before it.
LEAD_PERIODS = 1.5
#: After this many time constants of the fading nothing is left.
FADED_OUT = 4.0
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
        bands: dict[tuple[int, float], tuple[Band, Scale]] = {}
        repeats, spreading = Repeats(planned), Spreading(planned)

        def detect(batch: Batch) -> Readings:
            key = (batch.n_fft, batch.rate_hz)
            if key not in bands:
                band = band_of(planned, *key, settings)
                bands[key] = band, scale_of(planned, settings, band, *key)
            return repeats.kept(
                read_cepstra(batch, planned, settings, spreading, *bands[key]), batch
            )

        return detect


def read_cepstra(
    batch: Batch,
    plan: Plan,
    settings: CepstralSettings,
    spreading: Spreading,
    band: Band,
    scale: Scale,
) -> Readings:
    """Readings of a batch from the cepstra of its gated, sharpened records."""
    rate, (n, m) = batch.rate_hz, batch.samples.shape
    rise, fade = 0.5 * plan.period_s * rate, fade_s(plan, settings) * rate
    low, high, turn = search_range(plan, settings, band, rate)
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
    place = scale.right(place)
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


def scale_of(
    plan: Plan, settings: CepstralSettings, band: Band, n_fft: int, rate_hz: float
) -> Scale:
    """Where the detector itself puts ideal trains of short spacings.

    A train by the method of images: an interface echo r, then (1 - r^2) r^(n - 1), no loss. Nothing
    is scaled where the impedances are not known or the interface echo stays in the gate.
    """
    reflection, period = plan.setup.interface_reflection, plan.period_s * rate_hz
    if plan.interface_s is None or not reflection or keeps_interface(plan, settings):
        return Scale(np.empty(0), np.empty(0))
    low, high, turn = search_range(plan, settings, band, rate_hz)
    spacing = np.arange(low, min(SCALED_PERIODS * period, high), SCALE_STEP_PERIODS * period)
    echo = sharpened_filter(plan.setup, n_fft, rate_hz, settings.sharpness_db).spectrum
    cycles, r, found = np.fft.rfftfreq(n_fft), abs(reflection), []
    later = np.exp(-2j * np.pi * np.outer(spacing, cycles))
    train = -plan.alternation * r + (1 - r * r) * later / (1 - plan.alternation * r * later)
    for phase in PHASES:
        at = 4 * band.tail + phase
        records = scipy.fft.irfft(train * echo * np.exp(-2j * np.pi * cycles * at), n=n_fft, axis=1)
        start = np.full(spacing.size, at + _after_s(plan, settings) * rate_hz)
        gated = gate_records(
            records.astype(np.float32), start, band.fade, 0.5 * period, band.length
        )
        found.append(
            cepstral_peaks(
                weighted_cepstrum(gated, band), low, high, turn, ripple_sign(plan, settings)
            )
        )
    place, _, _, tilt = np.mean(found, axis=0)
    good = (np.abs(place - spacing) < 0.25 * period) & (np.abs(tilt) < UPRIGHT_WITHIN)
    order = np.argsort(place[good])
    return Scale(place[good][order], (spacing - place)[good][order])


def search_range(
    plan: Plan, settings: CepstralSettings, band: Band, rate_hz: float
) -> tuple[float, float, float]:
    """Between which quefrencies the peak lies, in samples, and the carrier's phase a sample."""
    least_s = least_spacing_periods(plan, settings) * plan.period_s
    low = max(plan.spacing_min_s, least_s) * rate_hz
    high = min(plan.spacing_max_s * rate_hz, 0.45 * band.length)
    return low, high, 2 * np.pi * band.centre_hz / rate_hz


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
