"""All scores of one corpus: a long table, the verdict, the maps of confidence."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from echotrial.hooks import Measure
from echotrial.scores import confidence as conf
from echotrial.scores.document import document, thinned
from echotrial.scores.measures import WHOLE
from echotrial.scores.panel import Panel, panel_of
from echotrial.scores.parts import apart_rows, strata_rows
from echotrial.scores.rows import Row, Where, table_of
from echotrial.scores.sampling import Sampling
from echotrial.scores.single import Single
from echotrial.scores.strata import bins_of
from echotrial.scores.verdict import Limits, Verdict, trust
from echotrial.scores.whole import whole_rows
from echotrial.setup import Setup

_HERE = Where(WHOLE)
#: Points of a risk-coverage curve that are kept; every figure is made of all of them.
_MOST_POINTS = 50_000


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

    def to_json(self) -> dict[str, Any]:
        """Everything as JSON data, in the shape of `document.Document`; NaN becomes null."""
        maps = {name: made.as_data() for name, made in self.maps.items()}
        return document(
            self.corpus, self.origin, self.verdict, self.table, maps, self.reliability, self.risk
        )


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
        Extra scores by name, each a function of the scored `prove` rows of one detector.
    limits
        What trust asks for.
    seconds
        Time a record of each detector, for the last tie.

    Raises
    ------
    ValueError
        More than one corpus, or a record without a row for some detector.
    """

    def own(detector: str) -> pd.DataFrame:
        return scored[(scored["detector"] == detector) & (scored["split"] == "prove")]

    return score_panels(
        panel_of(scored, setup),
        panel_of(scored, setup, "tune"),
        origin=origin,
        measures=measures,
        own=own,
        limits=limits,
        seconds=seconds,
    )


def score_panels(
    panel: Panel,
    tune: Panel,
    *,
    origin: str,
    measures: Mapping[str, Measure] | None = None,
    own: Callable[[str], pd.DataFrame] = lambda detector: pd.DataFrame(),
    limits: Limits | None = None,
    seconds: Mapping[str, float] | None = None,
) -> CorpusScores:
    """Score every detector of a panel, as `score` does.

    Parameters
    ----------
    panel, tune
        Of the two splits.
    own
        Scored `prove` rows of a detector; asked for only where there are `measures`.
    """
    limits = limits or Limits()
    sampling = Sampling.of(panel.truth, origin)
    bins = bins_of(panel.truth, among=panel.inside)
    panel = panel.without(b.stratum for b in bins)  # their columns, cut: of many records much
    maps, reliability, risk, tables = {}, {}, {}, dict[str, list[Row]]()
    for i, name in enumerate(panel.detectors):
        one = Single(panel, i, sampling, limits)
        rows = [*whole_rows(one), *apart_rows(one), *strata_rows(one, bins)]
        made = conf.fit_map(tune.confidence[i, tune.given[i]], tune.hit[i, tune.given[i]])
        if made is None:
            rows.append(_no_map())
        else:
            maps[name] = made
            found, reliability[name], risk[name] = _confidence(one, made)
            risk[name] = _kept(risk[name])
            rows += found
        rows += _extra(own, name, measures or {})
        tables[name] = rows
    table = table_of(panel.corpus, tables)
    verdict = trust(panel, sampling, limits, seconds)
    return CorpusScores(panel.corpus, origin, table, verdict, maps, reliability, risk)


def _kept(table: pd.DataFrame) -> pd.DataFrame:
    """A curve as it is, or with so many records one point in so many of it."""
    return table if len(table) <= _MOST_POINTS else thinned(table, _MOST_POINTS)


def _no_map() -> Row:
    why = "no estimate: no confidence map (too few tune readings with a confidence)"
    return Row(_HERE, "confidence threshold", np.nan, note=why)


def _confidence(
    one: Single, made: conf.ConfidenceMap
) -> tuple[list[Row], pd.DataFrame, pd.DataFrame]:
    """What the map is worth on `prove`."""
    panel = one.panel
    p_hit = np.where(one.given, made(panel.confidence[one.i]), np.nan)
    table = conf.reliability(p_hit, one.hit)
    walls, sampling = one.walls, one.sampling.take(one.walls)
    p_wall, locks, hits = p_hit[walls], one.false_lock[walls], one.hit[walls]
    risk = conf.risk_coverage(p_wall, locks, int(walls.sum()))
    limits = one.limits
    found = conf.threshold_for(p_wall, locks, hits, sampling, limits.false_lock, limits.alpha)
    readings, records = int(np.isfinite(p_hit).sum()), int(walls.sum())
    rows = [
        Row(_HERE, "calibration error", conf.calibration_error(table), denominator=readings),
        Row(_HERE, "brier", conf.brier(p_hit, one.hit), denominator=readings),
        Row(_HERE, "area under risk", conf.area_under_risk(risk), denominator=records),
        Row(_HERE, "confidence threshold", found.p_hit, denominator=records, note=found.note),
        Row(_HERE, "hits at threshold", found.hit_rate, denominator=records, note=found.note),
    ]
    return rows, table, risk


def _extra(
    own: Callable[[str], pd.DataFrame], detector: str, measures: Mapping[str, Measure]
) -> Iterator[Row]:
    """Scores of plugins; one that raises is a row with the reason."""
    if not measures:
        return
    scored = own(detector)
    for name, measure in measures.items():
        try:
            found = {what: float(value) for what, value in measure(scored).items()}
        except Exception as error:
            yield Row(_HERE, name, np.nan, note=f"no estimate: {type(error).__name__}: {error}")
        else:
            for what, value in found.items():
                yield Row(_HERE, f"{name}: {what}", value, denominator=len(scored))
