"""Rows about all walls inside the set-up's range: every outcome, bias, precision, limits."""

from collections.abc import Iterator

import numpy as np

from echotrial.outcome import WALL_LOCKS, Outcome
from echotrial.scores.efficiency import efficiency
from echotrial.scores.hit_miss import hit_miss
from echotrial.scores.intervals import Interval
from echotrial.scores.measures import WHOLE
from echotrial.scores.panel import Floats
from echotrial.scores.precision import spread
from echotrial.scores.rates import at_least, at_most
from echotrial.scores.rows import EXACT, Row, Where, rate_rows
from echotrial.scores.single import Single
from echotrial.scores.thin_wall import hit_limit, lock_limit
from echotrial.scores.trend import Trend, trend

_HERE = Where(WHOLE)
_OF_WALLS = [o for o in Outcome if o not in (Outcome.PHANTOM, Outcome.QUIET, Outcome.UNDECIDED)]


def whole_rows(one: Single) -> Iterator[Row]:
    """All of them."""
    yield from _rates(one)
    yield from _guarantees(one)
    yield from _precision(one)
    yield from _own_error(one)
    yield from _trend(one)
    yield from _limits(one)


def _rates(one: Single) -> Iterator[Row]:
    off = one.outcome(Outcome.OFF)
    events = {
        **{str(o): one.outcome(o) for o in _OF_WALLS},
        "false lock": one.false_lock,
        "thick false lock": one.thick,
        "thin false lock": one.false_lock & ~one.thick,
        "thick": one.thick | (off & (one.error_um > 0)),
        **{f"thick {o}": one.outcome(o) & one.thick for o in Outcome if o in WALL_LOCKS},
    }
    yield from rate_rows(_HERE, one.walls, events, one.sampling)
    undecided = {str(Outcome.UNDECIDED): ~one.decided}
    yield from rate_rows(_HERE, one.panel.inside, undecided, one.sampling)


def _guarantees(one: Single) -> Iterator[Row]:
    alpha, n = one.limits.alpha, int(one.walls.sum())
    bounds = {
        "hit at least": at_least(one.hit, one.walls, one.sampling, alpha),
        "false lock at most": at_most(one.false_lock, one.walls, one.sampling, alpha),
        "thick false lock at most": at_most(one.thick, one.walls, one.sampling, alpha),
    }
    for measure, bound in bounds.items():
        yield Row(_HERE, measure, bound, denominator=n, note=EXACT)


def _precision(one: Single) -> Iterator[Row]:
    rows = one.panel.inside & one.right_echoes
    sampling = one.sampling.take(rows)
    error = spread(one.error_um[rows], sampling)
    part = spread(100 * one.error_um[rows] / one.wall_um[rows], sampling)
    for name, unit, found in (("bias", "um", error), ("bias percent", "percent", part)):
        yield Row(_HERE, name, found.bias, found.bias_interval, denominator=found.n, unit=unit,
                  note=found.note)  # fmt: skip
    yield Row(_HERE, "sd percent", part.sd, denominator=part.n, unit="percent")
    for name, value in {
        "median error": error.median,
        "sd": error.sd,
        "mad": error.mad,
        "rms": error.rms,
    }.items():
        yield Row(_HERE, name, value, denominator=error.n, unit="um")


def _own_error(one: Single) -> Iterator[Row]:
    """The detector's own error, apart from what a wrong set-up velocity explains."""
    rows = one.panel.inside & one.right_echoes
    known = rows & np.isfinite(one.velocity_um)
    by_trend = not known.any()
    if by_trend:
        found = trend(one.error_um[rows], one.wall_um[rows], one.sampling.take(rows))
        part, note = found.slope * one.wall_um[rows], "by the trend: the true velocity is unknown"
    else:
        rows, part, note = known, one.velocity_um[known], ""
    own, n = one.error_um[rows] - part, int(rows.sum())
    for measure, value in {
        "velocity error": _mean(part),
        "velocity error rms": _rms(part),
        "own bias": _mean(own),
        "own sd": float(np.std(own, ddof=1)) if n > 1 else np.nan,
        "own rms": _rms(own),
    }.items():
        yield Row(_HERE, measure, value, denominator=n, unit="um", note=note)
    # A slope fitted to the errors may be the detector's own, so it is not taken off here.
    error = one.error_um[rows] if by_trend else own
    ratio, used = efficiency(error, one.truth("bound_um")[rows])
    why = "" if used else "no estimate: no Cramer-Rao bound of these records"
    yield Row(_HERE, "efficiency ratio", ratio, denominator=used, note=why)


def _mean(values: Floats) -> float:
    return float(np.mean(values)) if values.size else np.nan


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2))) if values.size else np.nan


def _trend(one: Single) -> Iterator[Row]:
    rows = one.panel.inside & one.right_echoes
    found = trend(one.error_um[rows], one.wall_um[rows], one.sampling.take(rows))
    slope = Interval(100 * found.slope_interval.low, 100 * found.slope_interval.high)
    cause = _cause(one, found)
    yield Row(_HERE, "trend slope", 100 * found.slope, slope, denominator=found.n, unit="percent",
              note=cause)  # fmt: skip
    yield Row(_HERE, "trend offset", found.offset_um, found.offset_interval, denominator=found.n,
              unit="um", note=cause)  # fmt: skip


def _cause(one: Single, found: Trend) -> str:
    """What the trend speaks of; where the true velocity is known it need not be guessed."""
    part = one.velocity_um / one.wall_um
    known = one.panel.inside & one.right_echoes & np.isfinite(part)
    if known.any() and 2 * abs(np.mean(part[known])) < abs(found.slope):
        return found.cause.replace("velocity", "the detector's own slope", 1)
    return found.cause


def _limits(one: Single) -> Iterator[Row]:
    """How thin the wall may be, in millimetres and in wavelengths."""
    rows, limits = one.walls, one.limits
    wall, sampling = one.panel.wall_m[rows], one.sampling.take(rows)
    hits = hit_limit(wall, one.hit[rows], sampling, alpha=limits.alpha)
    locks = lock_limit(wall, one.false_lock[rows], sampling, limits.false_lock, limits.alpha)
    regression = hit_miss(wall, one.hit[rows], sampling)
    for measure, value, note in (
        ("thin-wall limit", hits.wall_m, hits.note),
        ("false-lock limit", locks.wall_m, locks.note),
        ("a90", regression.wall_m, regression.note),
        ("a90/95", regression.wall_bound_m, regression.note),
    ):
        for unit, scale in (("mm", 1e3), ("wavelengths", 1 / one.panel.setup.wavelength_m)):
            yield Row(_HERE, measure, value * scale, denominator=wall.size, unit=unit, note=note)
