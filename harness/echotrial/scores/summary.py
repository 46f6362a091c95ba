"""All scores of one corpus: a long table, small wide ones to print, the verdict, the maps."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from echotrial.columns import SCORES
from echotrial.hooks import Measure
from echotrial.outcome import Outcome
from echotrial.scores import confidence as conf
from echotrial.scores.efficiency import efficiency
from echotrial.scores.hit_miss import hit_miss
from echotrial.scores.intervals import NO_INTERVAL, Interval
from echotrial.scores.panel import Floats, Panel, panel_of
from echotrial.scores.precision import spread
from echotrial.scores.rates import Rate, at_least, at_most, rate
from echotrial.scores.sampling import Bools, Sampling
from echotrial.scores.strata import Bin, bins_of
from echotrial.scores.thin_wall import hit_limit, lock_limit
from echotrial.scores.trend import trend, velocity_part_um
from echotrial.scores.trust import Limits, Verdict, trust
from echotrial.setup import Setup

#: What the column ``measure`` may hold; measures of plugins come on top, as ``plugin: measure``.
MEASURES: Final[Mapping[str, str]] = {
    **{str(o): f"share of records whose outcome is {o}" for o in Outcome},
    "false lock": "share of wall records with a false lock of any kind",
    "thick false lock": "the same, too thick only: these keep a bad part in service",
    "thin false lock": "the same, too thin only",
    "thick": "share of wall records read too thick, off or false lock",
    "hit at least": "Clopper-Pearson lower bound of hits, one-sided 95 %",
    "false lock at most": "Clopper-Pearson upper bound of false locks, one-sided 95 %",
    "thick false lock at most": "the same for those too thick",
    "phantom at most": "the same for phantoms on dry records",
    "bias": "mean error of readings of the right echoes (hit, off, undecided)",
    "bias percent": "mean error over the true wall",
    "median error": "median error of the same readings",
    "sd": "standard deviation of their errors",
    "sd percent": "standard deviation of error over the true wall",
    "mad": "median absolute deviation of their errors",
    "rms": "root-mean-square of their errors",
    "velocity error": "mean part of the error that a wrong set-up velocity explains",
    "velocity error rms": "root-mean-square of that part",
    "own bias": "bias without that part",
    "own sd": "standard deviation without that part",
    "own rms": "root-mean-square error without that part",
    "trend slope": "error of the wall per wall: a wrong velocity, or tails that pull",
    "trend offset": "error at no wall: a wrong zero offset",
    "efficiency ratio": "own root-mean-square error over the Cramer-Rao bound; 1 is the best",
    "thin-wall limit": "smallest wall above which every bin's hits are 90 % or more at 95 %",
    "false-lock limit": "smallest wall above which every bin's false locks are below the limit",
    "a90": "wall hit with 90 %, by hit/miss logistic regression",
    "a90/95": "its upper 95 % bound by the likelihood ratio",
    "calibration error": "mean distance of stated from observed P(hit | reading)",
    "brier": "mean squared error of P(hit | reading)",
    "area under risk": "mean share of false locks among readings kept, over all thresholds",
    "confidence threshold": "P(hit) above which readings keep the false-lock limit",
    "hits at threshold": "share of wall records hit with readings above that threshold",
}

WHOLE: Final = "whole"


@dataclass(frozen=True, eq=False)
class CorpusScores:
    """Scores of all detectors on one corpus.

    Attributes
    ----------
    table
        Columns `columns.SCORES`.
    verdict
        Which detector can be trusted, in a sentence, and why not the others.
    maps
        Raw confidence -> P(hit | reading), of detectors that have one.
    reliability, risk
        `confidence.reliability` and `confidence.risk_coverage` of the same detectors on `prove`.
    """

    corpus: str
    origin: str
    table: pd.DataFrame
    verdict: Verdict
    maps: Mapping[str, conf.ConfidenceMap]
    reliability: Mapping[str, pd.DataFrame]
    risk: Mapping[str, pd.DataFrame]


@dataclass(frozen=True)
class _Row:
    stratum: str
    bin: str
    measure: str
    value: float
    interval: Interval = NO_INTERVAL
    numerator: float = np.nan
    denominator: float = np.nan
    unit: str = "1"
    note: str = ""


def score(
    scored: pd.DataFrame,
    setup: Setup,
    *,
    origin: str,
    measures: Mapping[str, Measure] | None = None,
    limits: Limits | None = None,
    seconds: Mapping[str, float] | None = None,
) -> CorpusScores:
    """Score every detector on one corpus.

    Parameters
    ----------
    scored
        As `panel.joined` makes it. Rows of `prove` are scored; rows of `tune` make the maps of
        confidence and nothing else.
    setup
        The corpus's.
    origin
        ``synthetic``, ``semi-synthetic`` or ``recorded``; the last two are clustered by specimen.
    measures
        Extra scores by name, each a function of the scored frame of one detector.
    limits
        What trust asks for.
    seconds
        Time a record of each detector, for the last tie.

    Raises
    ------
    ValueError
        More than one corpus, or a record without a row for some detector.
    """
    limits = limits or Limits()
    panel = panel_of(scored, setup)
    tune = panel_of(scored, setup, "tune") if "split" in scored else None
    sampling = Sampling.of(panel.truth, origin)
    bins = _bins(panel)
    maps, reliability, risk, tables = {}, {}, {}, []
    for i, name in enumerate(panel.detectors):
        one = _One(panel, i, sampling, limits)
        made = _map_of(tune, i) if tune is not None else None
        rows = [*_whole(one), *_apart(one), *_strata(one, bins), *_thin(one)]
        if made is not None:
            maps[name] = made
            found, reliability[name], risk[name] = _confidence(one, made)
            rows += found
        else:
            rows.append(_no_map())
        rows += _extra(scored, name, measures or {})
        tables.append(_table(rows, panel.corpus, name))
    empty = pd.DataFrame(columns=list(SCORES))
    table = pd.concat(tables, ignore_index=True) if tables else empty
    verdict = trust(panel, sampling, limits, seconds)
    return CorpusScores(panel.corpus, origin, table, verdict, maps, reliability, risk)


class _One:
    """What is asked of one detector of a panel."""

    def __init__(self, panel: Panel, i: int, sampling: Sampling, limits: Limits) -> None:
        self.panel, self.i, self.sampling, self.limits = panel, i, sampling, limits
        self.inside = panel.inside
        self.decided = panel.decided[i]
        self.hit, self.false_lock, self.thick = panel.hit[i], panel.false_lock[i], panel.thick[i]
        self.right = panel.right_echoes[i]
        self.error_um = panel.error_um[i]
        self.wall_um = panel.wall_m * 1e6
        true = _column(panel.truth, "velocity_true_m_s")
        self.velocity_um = velocity_part_um(self.wall_um, panel.setup.velocity, true)
        self.velocity_known = bool(np.isfinite(self.velocity_um[panel.inside]).any())

    def outcome(self, *outcomes: Outcome) -> Bools:
        found: Bools = self.panel.among(outcomes)[self.i]
        return found


def _column(truth: pd.DataFrame, name: str) -> Floats:
    if name not in truth:
        return np.full(len(truth), np.nan)
    return np.asarray(truth[name], dtype=np.float64)


def _rate_row(where: tuple[str, str], measure: str, found: Rate) -> _Row:
    return _Row(*where, measure, found.value, found.interval, found.numerator, found.denominator,
                note=found.note)  # fmt: skip


def _rates(
    one: _One, where: tuple[str, str], among: Bools, events: Mapping[str, Bools]
) -> Iterator[_Row]:
    for measure, event in events.items():
        yield _rate_row(where, measure, rate(event, among, one.sampling))


def _whole(one: _One) -> Iterator[_Row]:
    """Every outcome, and every measure of precision, of walls inside the range."""
    where, among = (WHOLE, ""), one.inside & one.decided
    wall = [o for o in Outcome if o not in (Outcome.PHANTOM, Outcome.QUIET, Outcome.UNDECIDED)]
    events = {str(o): one.outcome(o) for o in wall}
    off = one.outcome(Outcome.OFF)
    events["false lock"] = one.false_lock
    events["thick false lock"] = one.thick
    events["thin false lock"] = one.false_lock & ~one.thick
    events["thick"] = one.thick | (off & (one.error_um > 0))
    yield from _rates(one, where, among, events)
    yield from _rates(one, where, one.inside, {"undecided": ~one.decided})
    alpha, n = one.limits.alpha, int(among.sum())
    for measure, bound in {
        "hit at least": at_least(one.hit, among, one.sampling, alpha),
        "false lock at most": at_most(one.false_lock, among, one.sampling, alpha),
        "thick false lock at most": at_most(one.thick, among, one.sampling, alpha),
    }.items():
        yield _Row(*where, measure, bound, denominator=n, note="Clopper-Pearson, one-sided 95 %")
    yield from _spread(one, where, one.inside)
    yield from _own(one, where, one.inside)
    yield from _trend(one, where, one.inside)


def _spread(one: _One, where: tuple[str, str], among: Bools, short: bool = False) -> Iterator[_Row]:
    rows = among & one.right
    found = spread(one.error_um[rows], one.sampling.take(rows))
    yield _Row(*where, "bias", found.bias, found.bias_interval, denominator=found.n, unit="um",
               note=found.note)  # fmt: skip
    yield _Row(*where, "sd", found.sd, denominator=found.n, unit="um")
    if short:
        return
    part = spread(100 * one.error_um[rows] / one.wall_um[rows], one.sampling.take(rows))
    yield _Row(*where, "bias percent", part.bias, part.bias_interval, denominator=part.n,
               unit="percent", note=part.note)  # fmt: skip
    yield _Row(*where, "sd percent", part.sd, denominator=part.n, unit="percent")
    for measure, value in {
        "median error": found.median,
        "mad": found.mad,
        "rms": found.rms,
    }.items():
        yield _Row(*where, measure, value, denominator=found.n, unit="um")


def _own(one: _One, where: tuple[str, str], among: Bools) -> Iterator[_Row]:
    """The detector's own error, apart from what a wrong set-up velocity explains."""
    rows = among & one.right
    note = ""
    if one.velocity_known:
        rows = rows & np.isfinite(one.velocity_um)
        part = one.velocity_um[rows]
    else:
        fit = trend(one.error_um[rows], one.wall_um[rows], one.sampling.take(rows))
        part = fit.slope * one.wall_um[rows]
        note = "by the trend, the true velocity not being known"
    own, n = one.error_um[rows] - part, int(rows.sum())
    values = {
        "velocity error": _mean(part),
        "velocity error rms": _rms(part),
        "own bias": _mean(own),
        "own sd": float(np.std(own, ddof=1)) if n > 1 else np.nan,
        "own rms": _rms(own),
    }
    for measure, value in values.items():
        yield _Row(*where, measure, value, denominator=n, unit="um", note=note)
    error = own if one.velocity_known else one.error_um[rows]
    ratio, known = efficiency(error, _column(one.panel.truth, "bound_um")[rows])
    why = "" if known else "no estimate: no Cramer-Rao bound of these records"
    yield _Row(*where, "efficiency ratio", ratio, denominator=known, note=why)


def _mean(values: Floats) -> float:
    return float(np.mean(values)) if values.size else np.nan


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2))) if values.size else np.nan


def _trend(one: _One, where: tuple[str, str], among: Bools) -> Iterator[_Row]:
    rows = among & one.right
    found = trend(one.error_um[rows], one.wall_um[rows], one.sampling.take(rows))
    yield _Row(*where, "trend slope", 100 * found.slope, _times(found.slope_interval, 100),
               denominator=found.n, unit="percent", note=found.cause)  # fmt: skip
    yield _Row(*where, "trend offset", found.offset_um, found.offset_interval,
               denominator=found.n, unit="um", note=found.cause)  # fmt: skip


def _times(interval: Interval, factor: float) -> Interval:
    return Interval(interval.low * factor, interval.high * factor)


def _apart(one: _One) -> Iterator[_Row]:
    """Walls outside the range, where silence is right, and records without a wall."""
    panel = one.panel
    low, high = panel.setup.wall_range
    events = {"hit": one.hit, "dropout": one.outcome(Outcome.DROPOUT), "false lock": one.false_lock,
              "thick false lock": one.thick}  # fmt: skip
    outside = {"thinner": panel.wall_m < low, "thicker": panel.wall_m > high}
    for name, rows in outside.items():
        yield from _rates(one, ("range", name), rows & ~one.inside & one.decided, events)
    events = {"phantom": panel.phantom[one.i], "quiet": one.outcome(Outcome.QUIET)}
    kinds = {"": panel.no_wall, "dry": panel.dry, "wet tip": panel.no_wall & ~panel.dry}
    for name, rows in kinds.items():
        yield from _rates(one, ("no wall", name), rows, events)
    bound = at_most(panel.phantom[one.i], panel.dry, one.sampling, one.limits.alpha)
    yield _Row("no wall", "dry", "phantom at most", bound, denominator=int(panel.dry.sum()),
               note="Clopper-Pearson, one-sided 95 %")  # fmt: skip


def _bins(panel: Panel) -> list[Bin]:
    return bins_of(panel.truth, among=panel.inside)


def _strata(one: _One, bins: list[Bin]) -> Iterator[_Row]:
    dropout = one.outcome(Outcome.DROPOUT)
    events = {"hit": one.hit, "off": one.outcome(Outcome.OFF), "dropout": dropout,
              "false lock": one.false_lock, "thick false lock": one.thick}  # fmt: skip
    for part in bins:
        where = (part.stratum, part.name)
        few = "" if part.decides else "too few to decide"
        for row in _rates(one, where, part.rows & one.decided, events):
            yield _Row(**{**vars(row), "note": "; ".join(filter(None, (few, row.note)))})
        yield from _spread(one, where, part.rows, short=True)


def _thin(one: _One) -> Iterator[_Row]:
    rows = one.inside & one.decided
    wall, sampling = one.panel.wall_m[rows], one.sampling.take(rows)
    hits = hit_limit(wall, one.hit[rows], sampling, alpha=one.limits.alpha)
    locks = lock_limit(wall, one.false_lock[rows], sampling, one.limits.false_lock,
                       one.limits.alpha)  # fmt: skip
    regression = hit_miss(wall, one.hit[rows], sampling)
    n = int(rows.sum())
    for measure, value, note in (
        ("thin-wall limit", hits.wall_m, hits.note),
        ("false-lock limit", locks.wall_m, locks.note),
        ("a90", regression.wall_m, regression.note),
        ("a90/95", regression.wall_bound_m, regression.note),
    ):
        yield _Row(WHOLE, "", measure, value * 1e3, denominator=n, unit="mm", note=note)
        waves = value / one.panel.setup.wavelength_m
        yield _Row(WHOLE, "", measure, waves, denominator=n, unit="wavelengths", note=note)


def _map_of(tune: Panel, i: int) -> conf.ConfidenceMap | None:
    answered = tune.hit | tune.false_lock | tune.phantom | tune.among([Outcome.OFF])
    given = answered[i]
    return conf.fit_map(tune.confidence[i, given], tune.hit[i, given])


def _no_map() -> _Row:
    why = "no estimate: no confidence map (too few tune readings with a confidence)"
    return _Row(WHOLE, "", "confidence threshold", np.nan, note=why)


def _confidence(
    one: _One, made: conf.ConfidenceMap
) -> tuple[list[_Row], pd.DataFrame, pd.DataFrame]:
    panel, i = one.panel, one.i
    p_hit = made(panel.confidence[i])
    off = one.outcome(Outcome.OFF)
    given = one.hit | one.false_lock | off | panel.phantom[i]
    table = conf.reliability(p_hit[given], one.hit[given])
    walls = one.inside & one.decided
    on_walls = walls & given
    risk = conf.risk_coverage(p_hit[on_walls], one.false_lock[on_walls], int(walls.sum()))
    found = conf.threshold_for(
        np.where(given, p_hit, np.nan)[walls], one.false_lock[walls], one.hit[walls],
        one.sampling.take(walls), one.limits.false_lock, one.limits.alpha,
    )  # fmt: skip
    n, all_walls = int(given.sum()), int(walls.sum())
    rows = [
        _Row(WHOLE, "", "calibration error", conf.calibration_error(table), denominator=n),
        _Row(WHOLE, "", "brier", conf.brier(p_hit[given], one.hit[given]), denominator=n),
        _Row(WHOLE, "", "area under risk", conf.area_under_risk(risk), denominator=all_walls),
        _Row(WHOLE, "", "confidence threshold", found.p_hit, denominator=all_walls,
             note=found.note),
        _Row(WHOLE, "", "hits at threshold", found.hit_rate, denominator=all_walls,
             note=found.note),
    ]  # fmt: skip
    return rows, table, risk


def _extra(scored: pd.DataFrame, detector: str, measures: Mapping[str, Measure]) -> list[_Row]:
    """Scores of plugins; one that raises is a row with the reason."""
    own = scored[scored["detector"] == detector] if measures else scored
    if measures and "split" in own:
        own = own[own["split"] == "prove"]
    rows = []
    for name, measure in measures.items():
        try:
            found: Mapping[str, Any] = measure(own)
            rows += [
                _Row(WHOLE, "", f"{name}: {what}", float(value), denominator=len(own))
                for what, value in found.items()
            ]
        except Exception as error:
            why = f"no estimate: {type(error).__name__}: {error}"
            rows.append(_Row(WHOLE, "", name, np.nan, note=why))
    return rows


def _table(rows: list[_Row], corpus: str, detector: str) -> pd.DataFrame:
    data = {
        "corpus": corpus,
        "detector": detector,
        "stratum": [r.stratum for r in rows],
        "bin": [r.bin for r in rows],
        "measure": [r.measure for r in rows],
        "value": [r.value for r in rows],
        "low": [r.interval.low for r in rows],
        "high": [r.interval.high for r in rows],
        "numerator": [r.numerator for r in rows],
        "denominator": [r.denominator for r in rows],
        "unit": [r.unit for r in rows],
        "note": [r.note for r in rows],
    }
    return pd.DataFrame(data, columns=list(SCORES))
