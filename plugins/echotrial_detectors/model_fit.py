"""Model fit: maximum likelihood of a small layer model driven by the reference echo."""

from dataclasses import dataclass
from functools import lru_cache
from typing import ClassVar

import numpy as np
from echotrial.ascan import Batch, Readings, Reason
from echotrial.detector import Detect, Invariance, Maps, Settings, setting
from echotrial.errors import NotApplicable
from echotrial.setup import Setup
from numpy.typing import NDArray

from echotrial_detectors.fit.beam import spreading
from echotrial_detectors.fit.clipped import (
    Known,
    clipped_samples,
    outside_band,
    refuse,
    search_clipped,
    tiles,
)
from echotrial_detectors.fit.fits import Found, Search, prior_spread
from echotrial_detectors.fit.grid import make_grid
from echotrial_detectors.fit.lamination import laminated_instead
from echotrial_detectors.fit.lanes import Table
from echotrial_detectors.fit.newton import ARRIVAL, GAP, LOSS, SPREAD, WALL
from echotrial_detectors.fit.ring import Ring
from echotrial_detectors.fit.ringing import QUIET, search_ringing
from echotrial_detectors.fit.search import STRIDE, search
from echotrial_detectors.fit.spectra import (
    Bins,
    Gate,
    gate_of,
    loudest,
    noise_energy,
    pulse_of,
    reference_of,
    spectra,
)
from echotrial_detectors.fit.stack import Stack, aperture, stack_of
from echotrial_detectors.fit.struck import other_wall, struck_samples
from echotrial_detectors.fit.verdict import Fits, Limits, hardly_more_than, judge, most_left

#: The grid goes this far beyond the wall range, so that a wall out there is recognised as such.
BELOW_RANGE, ABOVE_RANGE = 0.5, 1.25
THINNEST = 0.1  # periods of round trip
#: An interface reflection above this makes the interface echo the strongest (metals).
STRONG_INTERFACE = 0.5
#: From this reflection of couplant against wall on, a wall is hard.
METAL = 0.7
#: Share of a record that walls may leave where a ring-down is still hoped for.
RINGING = 0.1
#: Loss expected of any other wall, neper per wavelength of travel: nylon, PMMA and their like lose
#: 0.01 to 0.04 (handbook attenuations, from memory); of a metal none.
POLYMER_LOSS = 0.02
#: Below this round trip, periods, the half-wave resonance of a hard wall leaves the band.
THIN = 0.75
#: From this round trip, periods, on echoes stand apart, unless the couplant rings.
APART = 5.0
#: Walls less than so many tolerances apart are near.
NEAR = 3.0
#: Shape of a round tip, which an element that has a diameter is, and deviation expected of any:
#: that of a square one is as far to the other side of none, and a tilt changes either.
ROUND, SHAPE_SPREAD = -0.5, 0.5
BEFORE, AFTER = 2.0, 8.0  # periods of the pulse before its envelope peak, and of its tail
UNKNOWN = 1e3  # periods: as good as no prior


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
    least_gap_um: float = setting(
        10.0, "scale of the couplant gap where tip and wall are nearest, micrometres",
        ge=1.0, le=200.0, candidates=(5.0, 10.0, 20.0),
    )  # fmt: skip
    gap_spread_um: float = setting(
        25.0, "scale of what the gap grows by over the aperture, micrometres",
        ge=1.0, le=500.0, candidates=(15.0, 25.0, 50.0),
    )  # fmt: skip
    loss_np: float = setting(
        0.05, "standard deviation expected of the wall's loss, neper per wavelength of travel",
        ge=1e-4, le=1.0, candidates=(0.02, 0.05, 0.2),
    )  # fmt: skip
    soft_loss_np: float = setting(
        0.03, "the same of walls that are no metal, about what polymers lose",
        ge=1e-4, le=1.0, candidates=(0.02, 0.03, 0.05),
    )  # fmt: skip
    film_um: float = setting(
        30.0, "scale of a couplant film on a lifted probe, micrometres",
        ge=1.0, le=1000.0, candidates=(30.0, 50.0, 1000.0),
    )  # fmt: skip
    spreading: float = setting(
        0.75, "share of a round piston's spreading that a trip through a tube's wall adds: 0 = "
        "plane waves; a tube touches along a strip; a flat part, touched by all of the tip, adds "
        "all of it",
        ge=0.0, le=1.0, candidates=(0.0, 0.5, 0.75, 1.0),
    )  # fmt: skip
    margin: float = setting(
        12.0, "how much more likely than another wall (-2 log) a reading must be",
        ge=0.0, le=100.0, candidates=(8.0, 12.0, 20.0),
    )  # fmt: skip
    soft_margin: float = setting(
        3.0, "the same of walls that are no metal: their echoes are few, and all others far behind",
        ge=0.0, le=100.0, candidates=(3.0, 5.0, 12.0),
    )  # fmt: skip
    near_margin: float = setting(
        3.0, "... than another wall less than three tolerances and a tenth of the wall away",
        ge=0.0, le=100.0, candidates=(3.0, 5.0, 12.0),
    )  # fmt: skip
    film_margin: float = setting(
        4.0, "how much more likely than a couplant film or nothing (-2 log)",
        ge=0.0, le=100.0, candidates=(4.0, 6.0, 10.0),
    )  # fmt: skip
    lamination_margin: float = setting(
        12.0, "how much more likely (-2 log) than a metal wall of few resonances one with a "
        "lamination in it must be for neither to be read",
        ge=0.0, le=1e6, candidates=(8.0, 12.0, 20.0),
    )  # fmt: skip
    sureness: float = setting(
        0.3, "standard deviations that the tolerance must hold",
        ge=0.1, le=10.0, candidates=(0.3, 1.0, 2.0, 3.0),
    )  # fmt: skip
    strict_sureness: float = setting(
        3.0, "the same for hard walls (metals), and where more than noise is left of the record",
        ge=0.5, le=10.0, candidates=(2.0, 3.0, 4.0),
    )  # fmt: skip
    excess: float = setting(
        2.4, "residual energy over that of the noise, at most", ge=1.0, le=100.0,
        candidates=(1.8, 2.4, 3.6),
    )  # fmt: skip
    floor: float = setting(
        0.02, "residual share of the record's energy that is always allowed", ge=0.0, le=1.0,
        candidates=(0.01, 0.02, 0.04),
    )  # fmt: skip


class ModelFit:
    """Fits delay line | couplant | wall | air to the whole echo train, and knows when it cannot."""

    name: ClassVar[str] = "model-fit"
    version: ClassVar[str] = "7"
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
            return _detect(batch, plans[batch.rate_hz])

        return detect


@dataclass(frozen=True)
class _Plan:
    """All that is the same for every record at one sampling rate."""

    setup: Setup
    gate: Gate
    how: Search
    starts: int
    limits: Limits
    lamination_margin: float
    longest: float  # round trip of the thickest wall of the grid, periods


@lru_cache(maxsize=2)
def _plan(setup: Setup, settings: ModelFitSettings, stack: Stack, rate_hz: float) -> _Plan:
    """Kept for who asks for the same once more: whoever hears a model fit beside others."""
    period = stack.period_s
    thin, thick = setup.interval_s(setup.wall_range) / period
    low, high = max(BELOW_RANGE * thin, THINNEST), ABOVE_RANGE * thick
    before = BEFORE + settings.drift_periods
    trains = 3.0 if abs(stack.interface) > STRONG_INTERFACE else 2.0
    gate = gate_of(setup, rate_hz, before * period, (before + AFTER + trains * high) * period)
    reference = reference_of(setup)
    bins = Bins.of(
        gate,
        pulse_of(reference, gate, gate.s),
        pulse_of(reference, gate, gate.s_twice),
        spreading(setup, gate.frequency, settings.spreading if setup.outside_diameter else 1.0),
    )
    return _Plan(
        setup,
        gate,
        Search(
            make_grid(stack, bins, gate, low, high),
            Table.of(bins, gate.freedom, stride=STRIDE),
            Table.of(bins, gate.freedom),
            Table.of(bins, gate.freedom, twice=True),
            aperture(stack.delay_couplant),
            stack,
            _prior(setup, settings, stack),
            stack.gap_periods(1e-6 * settings.film_um),
            settings.rounds,
            Ring.of(bins),
            THIN if stack.couplant_wall > METAL else 0.0,
            0.0 if stack.couplant_wall > METAL else POLYMER_LOSS,
            0.0 if setup.element_diameter is None else ROUND,
            RINGING if abs(stack.interface) > STRONG_INTERFACE else 0.0,
            None if stack.couplant_wall > METAL else (float(thin), float(thick)),
        ),
        settings.starts,
        Limits(
            settings.margin,
            settings.soft_margin,
            settings.near_margin,
            NEAR,
            settings.film_margin,
            settings.sureness,
            settings.strict_sureness,
            stack.couplant_wall > METAL,
            np.inf if stack.resonant else APART * period * setup.velocity / 2,
            settings.excess,
            settings.floor,
        ),
        settings.lamination_margin,
        high,
    )


def _prior(setup: Setup, settings: ModelFitSettings, stack: Stack) -> NDArray[np.float64]:
    return prior_spread(
        UNKNOWN if setup.interface_echo is None else settings.drift_periods,
        stack.gap_periods(1e-6 * settings.least_gap_um),
        stack.gap_periods(1e-6 * settings.gap_spread_um),
        settings.loss_np if stack.couplant_wall > METAL else settings.soft_loss_np,
        SHAPE_SPREAD,
    )


def _detect(batch: Batch, plan: _Plan) -> Readings:
    gate, setup = plan.gate, plan.setup
    batch = _silenced(batch)
    first, anchor = _place(batch, plan)
    anchor_s = batch.start_s + anchor / batch.rate_hz
    y = spectra(batch, first, anchor, gate)
    energy = np.sum(np.abs(y) ** 2, axis=1)
    usable = energy > 0
    scale = np.where(usable, energy, 1.0)
    y /= np.sqrt(scale)[:, None]
    noise = noise_energy(batch, first, gate) / scale
    clipped, at = clipped_samples(batch, first, gate)
    whole = usable.copy()
    whole[clipped] = False
    found, ringing = _search(y, whole, noise, anchor_s, plan)
    first_m = (
        found.theta[np.arange(len(batch)), found.best, WALL] * gate.period_s * setup.velocity / 2
    )
    allowed = np.where(whole & ~ringing, most_left(noise, plan.limits, first_m), 1.0)
    struck, where = struck_samples(y, found, noise, allowed, anchor - first, plan.how, gate)
    tolerance = _expected(anchor_s, plan)[1]
    beyond = outside_band(batch, clipped, first[clipped], gate)
    for rows, there, outside in ((clipped, at, beyond), (struck, where, None)):
        for few in tiles(there):
            of = rows[few]
            again, noise[of] = _unclipped(
                y[of], there[few], (anchor - first)[of], noise[of], scale[of], anchor_s[of], plan,
                None if outside is None else outside[few],
            )  # fmt: skip
            again.side[whole[of] & other_wall(found.take(of), again, tolerance)] = 0.0
            found.put(of, again)
    wall_m = setup.thickness_m(found.theta[..., WALL] * gate.period_s, mode=_mode(setup))
    rows = np.arange(len(batch))
    likeliest = found.theta[rows, found.best]
    likeliest[:, WALL] += found.lean
    best_m = setup.thickness_m(likeliest[:, WALL] * gate.period_s, mode=_mode(setup))
    reason, confidence = judge(
        Fits(
            found.value,
            wall_m,
            found.residual,
            found.best,
            found.deviation * gate.period_s * setup.velocity / 2,
            found.side,
            found.far,
            noise,
            likeliest[:, LOSS],
            ringing,
            found.lean * gate.period_s * setup.velocity / 2,
            found.reach * gate.period_s * setup.velocity / 2,
        ),
        plan.limits,
        setup.tolerance.of(best_m),
        setup.wall_range,
    )
    reason[~usable] = Reason.BAD_SAMPLES
    whole[struck] = False
    reason[_laminated(y, found, whole & (reason == Reason.READ), ringing, anchor_s, plan)] = (
        Reason.AMBIGUOUS
    )
    read = reason == Reason.READ
    marks = _marks(likeliest, anchor_s, plan)
    return Readings(
        np.where(read, best_m, np.nan),
        np.where(read, marks[0], np.nan),
        np.where(read, marks[1], np.nan),
        np.where(read, 1.0, np.nan),
        batch.start_s + first / batch.rate_hz,
        batch.start_s + (first + gate.length) / batch.rate_hz,
        np.where(read, confidence, np.nan),
        reason,
    )


def _mode(setup: Setup) -> int | None:
    """The interval is one of the wall alone: mode 1's offset from time zero has no part in it."""
    return 3 if setup.mode == 1 else setup.mode


def _place(batch: Batch, plan: _Plan) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First sample of each gate, and the sample of the greatest envelope in it."""
    gate, nominal = plan.gate, plan.setup.interface_echo
    if nominal is not None:
        first = np.rint((nominal - batch.start_s) * gate.rate_hz).astype(np.int64) - gate.before
        return first, loudest(batch.analytic, first, gate.length)
    whole = np.zeros(len(batch), np.int64)
    anchor = loudest(batch.analytic, whole, batch.samples.shape[1])
    earlier = 0.0 if abs(plan.how.stack.interface) > STRONG_INTERFACE else plan.longest
    return anchor - gate.before - round(earlier * gate.period_s * gate.rate_hz), anchor


def _silenced(batch: Batch) -> Batch:
    """The batch with silence for records that are not finite throughout."""
    finite = np.asarray(np.isfinite(batch.samples).all(axis=1))
    if finite.all():
        return batch
    samples = np.where(finite[:, None], batch.samples, np.float32(0))
    return Batch.of(samples, batch.rate_hz, batch.start_s, batch.setup)


def _search(
    y: NDArray[np.complex128],
    usable: NDArray[np.bool_],
    noise: NDArray[np.float64],
    anchor_s: NDArray[np.float64],
    plan: _Plan,
) -> tuple[Found, NDArray[np.bool_]]:
    """Fits, and which of them took a ring-down because the reference echo alone left too much."""
    how = plan.how
    arrival, tolerance = _expected(anchor_s, plan)
    allowed = most_left(noise, plan.limits)
    found = search(y, usable, arrival, tolerance, how, plan.starts, allowed)
    ringing = np.zeros(len(y), np.bool_)
    left = found.residual[np.arange(len(y)), found.best]
    poor = np.flatnonzero(np.isfinite(left) & (left > hardly_more_than(noise, plan.limits)))
    if abs(how.stack.interface) < STRONG_INTERFACE:
        return found, ringing  # its tail stands no higher than what a liner sends back
    explained, better = search_ringing(
        y[poor], found.take(poor), noise[poor], arrival[poor], tolerance, how, plan.limits.lossy
    )
    found.put(poor[explained], better)
    ringing[poor[explained]] = True
    return found, ringing


def _laminated(
    y: NDArray[np.complex128], found: Found, read: NDArray[np.bool_], ringing: NDArray[np.bool_],
    anchor_s: NDArray[np.float64], plan: _Plan,
) -> NDArray[np.int64]:  # fmt: skip
    """Which of those `read` may as well be walls with a lamination in them."""
    rows = np.flatnonzero(read & plan.limits.hard)
    arrival, _ = _expected(anchor_s[rows], plan)
    instead = laminated_instead(
        y[rows], found.take(rows), ringing[rows], arrival, plan.how, plan.lamination_margin
    )
    return rows[instead]


def _unclipped(
    y: NDArray[np.complex128],
    at: NDArray[np.bool_],
    anchor: NDArray[np.int64],
    noise: NDArray[np.float64],
    energy: NDArray[np.float64],
    anchor_s: NDArray[np.float64],
    plan: _Plan,
    beyond: NDArray[np.float32] | None,
) -> tuple[Found, NDArray[np.float64]]:
    """Fits to clipped records, and the share of noise in what is known of each."""
    noise = np.maximum(noise, QUIET) * energy
    known = Known.of(
        y * np.sqrt(energy)[:, None], at, anchor, noise / plan.how.every.freedom, plan.gate, beyond
    )
    arrival, tolerance = _expected(anchor_s, plan)
    share = noise / known.energy
    allowed = most_left(share, plan.limits)
    found = search_clipped(known, arrival, tolerance, plan.how, plan.starts, allowed)
    refuse(found, share, plan.limits.lossy)
    return found, share


def _expected(
    anchor_s: NDArray[np.float64], plan: _Plan
) -> tuple[NDArray[np.float64], tuple[float, float]]:
    """Nominal arrival after each anchor, and tolerance, relative and absolute, in periods."""
    nominal, period, tolerance = plan.setup.interface_echo, plan.gate.period_s, plan.setup.tolerance
    arrival = np.zeros(anchor_s.size) if nominal is None else (nominal - anchor_s) / period
    absolute = float(plan.setup.interval_s(tolerance.absolute)) / period
    return arrival, (tolerance.relative, absolute)


def _marks(
    theta: NDArray[np.float64], anchor_s: NDArray[np.float64], plan: _Plan
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Interface echo and first back-wall echo as the fit has them."""
    couplant = theta[:, GAP] + theta[:, SPREAD] * plan.how.aperture.mean_excess
    r01, r12 = plan.how.stack.delay_couplant, plan.how.stack.couplant_wall
    behind = couplant if abs(r12) > abs(r01) else 0.0
    first = anchor_s + (theta[:, ARRIVAL] + behind) * plan.gate.period_s
    return first, first + theta[:, WALL] * plan.gate.period_s
