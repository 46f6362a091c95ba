"""Model fit: maximum likelihood of a small layer model driven by the reference echo."""

from dataclasses import dataclass
from typing import ClassVar

import numba
import numpy as np
from numpy.typing import NDArray

from echotrial.ascan import Batch, Readings, Reason
from echotrial.detector import Detect, Invariance, Maps, Settings, setting
from echotrial.errors import NotApplicable
from echotrial.setup import Setup
from echotrial_detectors.fit.grid import Grid, correlations, make_grid, pick_starts
from echotrial_detectors.fit.newton import ARRIVAL, GAP, SPREAD, UNKNOWNS, WALL, deviation, refine
from echotrial_detectors.fit.spectra import (
    Gate,
    gate_of,
    loss_law,
    loudest,
    pulse_of,
    reference_of,
    spectra,
)
from echotrial_detectors.fit.stack import Aperture, Stack, aperture, stack_of
from echotrial_detectors.fit.verdict import Fits, Limits, judge
from echotrial_detectors.noise import noise_sigma

#: The grid goes this far beyond the wall range, so that a wall out there is recognised as such.
BELOW_RANGE, ABOVE_RANGE = 0.5, 1.25
THINNEST = 0.1  # periods of round trip
#: An interface reflection above this makes the interface echo the strongest (metals).
STRONG_INTERFACE = 0.5
SHAPE_SPREAD = 0.5  # a round and a square tip are one such deviation from the middle
BEFORE = 2.0  # periods of the pulse that lie before its envelope peak


class ModelFitSettings(Settings):
    """What the model fit can be told."""

    starts: int = setting(
        4, "walls of the grid from which a fit is started", ge=1, le=16, candidates=(2, 4, 6)
    )
    rounds: int = setting(8, "Newton steps at most", ge=1, le=50, candidates=(6, 12))
    drift_periods: float = setting(
        3.0, "how far the interface echo may lie from its nominal time, in periods",
        ge=0.5, le=20.0, candidates=(3.0,),
    )  # fmt: skip
    gap_spread_um: float = setting(
        25.0, "standard deviation expected of couplant gap and of its spread, micrometres",
        ge=1.0, le=200.0, candidates=(15.0, 25.0, 50.0),
    )  # fmt: skip
    loss_np: float = setting(
        0.05, "standard deviation expected of the wall's loss, neper per wavelength of travel",
        ge=1e-4, le=1.0, candidates=(0.02, 0.05, 0.2),
    )  # fmt: skip
    margin: float = setting(
        12.0, "how much more likely than another wall (-2 log) a reading must be",
        ge=0.0, le=100.0, candidates=(8.0, 12.0, 20.0),
    )  # fmt: skip
    film_margin: float = setting(
        12.0, "how much more likely than a couplant film or nothing (-2 log)",
        ge=0.0, le=100.0, candidates=(8.0, 12.0, 20.0),
    )  # fmt: skip
    sureness: float = setting(
        3.0, "tolerance over the fit's own standard deviation, at least",
        ge=0.5, le=10.0, candidates=(2.0, 3.0, 4.0),
    )  # fmt: skip
    excess: float = setting(
        3.0, "residual energy over that of the noise, at most", ge=1.0, le=100.0,
        candidates=(2.0, 3.0, 5.0),
    )  # fmt: skip
    floor: float = setting(
        0.01, "residual share of the record's energy that is always allowed", ge=0.0, le=1.0,
        candidates=(0.005, 0.01, 0.03),
    )  # fmt: skip


class ModelFit:
    """Fits delay line | couplant | wall | air to the whole echo train, and knows when it cannot."""

    name: ClassVar[str] = "model-fit"
    version: ClassVar[str] = "1"
    Settings: ClassVar[type[ModelFitSettings]] = ModelFitSettings
    invariances: ClassVar[frozenset[Invariance]] = frozenset({"gain", "shift"})

    def prepare(
        self, setup: Setup, settings: ModelFitSettings, *, maps: Maps | None = None
    ) -> Detect:
        """Build the grid at the first batch (its sampling rate decides the bins)."""
        if setup.reference_echo is None:
            raise NotApplicable("the model is driven by the reference echo, and there is none")
        stack = stack_of(setup)
        plans: dict[float, _Plan] = {}

        def detect(batch: Batch) -> Readings:
            if batch.rate_hz not in plans:
                plans[batch.rate_hz] = _plan(setup, settings, stack, batch.rate_hz)
            return _detect(batch, plans[batch.rate_hz], settings)

        return detect


@dataclass(frozen=True)
class _Plan:
    """All that is the same for every record at one sampling rate."""

    setup: Setup
    stack: Stack
    aperture: Aperture
    gate: Gate
    pulse: NDArray[np.complex128]
    pulse_twice: NDArray[np.complex128]
    grid: Grid
    longest: float  # round trip of the thickest wall of the grid, periods


def _plan(setup: Setup, settings: ModelFitSettings, stack: Stack, rate_hz: float) -> _Plan:
    period = stack.period_s
    thin, thick = setup.interval_s(setup.wall_range) / period
    low, high = max(BELOW_RANGE * thin, THINNEST), ABOVE_RANGE * thick
    before = BEFORE + settings.drift_periods
    trains = 3.0 if abs(stack.interface) > STRONG_INTERFACE else 2.0
    length = before + 8.0 + trains * high
    gate = gate_of(setup, rate_hz, before * period, length * period)
    pulse = pulse_of(reference_of(setup), gate, gate.s)
    twice = pulse_of(reference_of(setup), gate, gate.s_twice)
    grid = make_grid(stack, pulse, gate, low, high)
    return _Plan(setup, stack, aperture(stack.delay_couplant), gate, pulse, twice, grid, high)


def _detect(batch: Batch, plan: _Plan, settings: ModelFitSettings) -> Readings:
    first, anchor = _place(batch, plan)
    usable = np.isfinite(batch.samples).all(axis=1) & batch.samples.any(axis=1)
    y = spectra(batch, first, anchor, plan.gate)
    y[~usable] = 0.0
    energy = np.sum(np.abs(y) ** 2, axis=1)
    usable &= energy > 0
    anchor_s = batch.start_s + anchor / batch.rate_hz
    theta, fits = _fit(y, energy, usable, anchor_s, plan, settings)
    sigma = noise_sigma(np.where(usable[:, None], batch.samples, 0.0).astype(np.float32))
    noise = sigma**2 * _noise_gain(plan.gate, anchor - first) / np.where(usable, energy, 1.0)
    wall_m = plan.setup.thickness_m(theta[..., WALL] * plan.stack.period_s, mode=_mode(plan.setup))
    scale = plan.setup.velocity * plan.stack.period_s / 2
    found = Fits(fits[..., 0], wall_m, fits[..., 3] * scale, fits[..., 1], noise)
    limits = Limits(
        settings.margin, settings.film_margin, settings.sureness, settings.excess, settings.floor
    )
    best, reason, confidence = judge(
        found, limits, plan.setup.tolerance.of(wall_m), plan.setup.wall_range
    )
    reason[~usable] = Reason.BAD_SAMPLES
    rows = np.arange(len(batch))
    marks = _marks(theta[rows, best], anchor_s, plan)
    read = reason == Reason.READ
    hide = lambda values: np.where(read, values, np.nan)  # noqa: E731
    return Readings(
        hide(wall_m[rows, best]),
        hide(marks[0]),
        hide(marks[1]),
        hide(np.ones(len(batch))),
        batch.start_s + first / batch.rate_hz,
        batch.start_s + (first + plan.gate.length) / batch.rate_hz,
        hide(confidence),
        reason,
    )


def _mode(setup: Setup) -> int | None:
    """The interval is one of the wall alone: mode 1's offset from time zero has no part in it."""
    return 3 if setup.mode == 1 else setup.mode


def _place(batch: Batch, plan: _Plan) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First sample of each gate, and the sample of the greatest envelope in it."""
    gate, nominal = plan.gate, plan.setup.interface_echo
    n = len(batch)
    if nominal is not None:
        first = np.rint((nominal - batch.start_s) * gate.rate_hz).astype(np.int64) - gate.before
        return first, loudest(batch.analytic, first, gate.length)
    anchor = loudest(batch.analytic, np.zeros(n, np.int64), batch.samples.shape[1])
    earlier = 0.0 if abs(plan.stack.interface) > STRONG_INTERFACE else plan.longest
    return anchor - gate.before - round(earlier * gate.period_s * gate.rate_hz), anchor


def _noise_gain(gate: Gate, anchor: NDArray[np.int64]) -> NDArray[np.float64]:
    """Energy of a spectrum of white noise of unit variance."""
    return np.full(anchor.size, (gate.bins[1] - gate.bins[0]) * float(np.sum(gate.window**2)))


def _fit(
    y: NDArray[np.complex128], energy: NDArray[np.float64], usable: NDArray[np.bool_],
    anchor_s: NDArray[np.float64], plan: _Plan, settings: ModelFitSettings,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Unknowns (n, k, 6) and results (n, k, 4) of every fit; see `newton.refine`."""
    unit = y / np.sqrt(np.where(usable, energy, 1.0))[:, None]
    k = settings.starts + 1
    theta, results = np.zeros((len(y), k, UNKNOWNS)), np.full((len(y), k, 4), np.inf)
    gap = plan.stack.gap_periods(1e-6 * settings.gap_spread_um)
    nominal = plan.setup.interface_echo
    spread = np.array([settings.drift_periods, 1e3, gap, gap, settings.loss_np, SHAPE_SPREAD])
    if nominal is None:
        spread[ARRIVAL] = 1e3
        mean = np.zeros(len(y))
    else:
        mean = (nominal - anchor_s) / plan.gate.period_s
    stack, strips = plan.stack, plan.aperture
    _fit_rows(
        unit, usable, correlations(unit, plan.grid), plan.grid.starts, plan.grid.family,
        plan.grid.is_film, plan.grid.families, plan.pulse, plan.gate.s,
        loss_law(plan.gate.frequency), plan.pulse_twice, plan.gate.s_twice, strips.excess, strips.share, strips.lean, stack.delay_couplant, stack.couplant_wall,
        plan.gate.freedom, mean, spread, settings.rounds, theta, results,
    )  # fmt: skip
    return theta, results


@numba.njit(cache=True, nogil=True)
def _fit_rows(
    y, usable, correlation, starts, family, is_film, families, pulse, s, law, pulse_twice, s_twice, excess, share,
    lean, r01, r12, freedom, mean, spread, rounds, theta, results,
):  # fmt: skip
    scores = np.zeros(theta.shape[1])
    prior = np.zeros(UNKNOWNS)
    floor = np.array([-1e9, 0.02, 0.0, 0.0, 0.0, -1.0])
    film_floor = np.array([-1e9, 0.0, 0.0, 0.0, 0.0, -1.0])
    last = theta.shape[1] - 1
    for row in range(y.shape[0]):
        if not usable[row]:
            continue
        pick_starts(correlation[row], starts, family, is_film, families, theta[row], scores)
        prior[ARRIVAL] = mean[row]
        for k in range(last + 1):
            if scores[k] > 0:
                prior[WALL] = theta[row, k, WALL]
                is_last = k == last
                refine(
                    theta[row, k], y[row], pulse, s, law, excess, share, lean, r01,
                    0.0 if is_last else r12, freedom, prior, spread,
                    film_floor if is_last else floor, rounds, results[row, k],
                )  # fmt: skip
        best = np.argmin(results[row, :last, 0])
        if scores[best] > 0:
            results[row, best, 3] = deviation(
                theta[row, best], pulse, s, law, pulse_twice, s_twice, law, excess, share, lean,
                r01, r12, results[row, best, 1] / freedom, results[row, best, 2], spread,
            )  # fmt: skip


def _marks(
    theta: NDArray[np.float64], anchor_s: NDArray[np.float64], plan: _Plan
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Interface echo and first back-wall echo as the fit has them."""
    couplant = theta[:, GAP] + theta[:, SPREAD] * plan.aperture.mean_excess
    r01, r12 = plan.stack.delay_couplant, plan.stack.couplant_wall
    behind = couplant if abs(r12) > abs(r01) else 0.0
    first = anchor_s + (theta[:, ARRIVAL] + behind) * plan.gate.period_s
    return first, first + theta[:, WALL] * plan.gate.period_s
