"""What a detector's confidence is worth: its map to P(hit | reading), and what a threshold buys."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import isotonic_regression

from echotrial.scores.intervals import ALPHA, wilson
from echotrial.scores.rates import at_most
from echotrial.scores.sampling import Bools, Sampling

Floats = NDArray[np.float64]
#: Fewer readings with a confidence than this make no map.
MIN_READINGS: Final = 50
RELIABILITY_BINS: Final = 10


@dataclass(frozen=True)
class ConfidenceMap:
    """Raw confidence -> P(hit | reading): linear between knots, flat beyond them."""

    raw: tuple[float, ...]
    p_hit: tuple[float, ...]
    readings: int

    def __call__(self, raw: ArrayLike) -> Floats:
        """Map raw confidences; NaN stays NaN."""
        return np.asarray(np.interp(np.asarray(raw, dtype=np.float64), self.raw, self.p_hit))

    def as_data(self) -> dict[str, Any]:
        """The map as plain data, for a method or a trial file."""
        return {"raw": list(self.raw), "p_hit": list(self.p_hit), "readings": self.readings}

    @classmethod
    def from_data(cls, data: Mapping[str, Any]) -> "ConfidenceMap":
        """The inverse of `as_data`."""
        return cls(tuple(data["raw"]), tuple(data["p_hit"]), int(data["readings"]))


def fit_map(raw: Floats, hit: Bools) -> ConfidenceMap | None:
    """Fit the map on readings of `tune`; None with fewer than `MIN_READINGS` or a constant.

    Isotonic regression (pool adjacent violators), so the map never turns the order round;
    readings of one confidence count as one point with their weight.

    Parameters
    ----------
    raw, hit
        (n,) of the readings given, undecided ones left out; NaN confidences are left out here.
    """
    known = np.isfinite(raw)
    raw, hit = raw[known], hit[known]
    if raw.size < MIN_READINGS or np.ptp(raw) == 0:
        return None
    level, place = np.unique(raw, return_inverse=True)
    readings = np.bincount(place)
    rate = np.bincount(place, weights=hit) / readings
    p_hit = np.clip(isotonic_regression(rate, weights=readings).x, 0.0, 1.0)
    knot = np.ones(level.size, dtype=bool)  # inside a plateau there is nothing to know
    knot[1:-1] = (p_hit[1:-1] != p_hit[:-2]) | (p_hit[1:-1] != p_hit[2:])
    return ConfidenceMap(tuple(level[knot].tolist()), tuple(p_hit[knot].tolist()), int(raw.size))


def reliability(p_hit: Floats, hit: Bools) -> pd.DataFrame:
    """Stated against observed hit rate of the readings in at most ten bins of equal count.

    Returns
    -------
    DataFrame
        ``stated``, ``observed``, ``low``, ``high`` (Wilson), ``readings``; no rows without readings
        that have a confidence.
    """
    known = np.isfinite(p_hit)
    p_hit, hit = p_hit[known], hit[known]
    rows = []
    if p_hit.size:
        edges = np.unique(np.quantile(p_hit, np.linspace(0, 1, RELIABILITY_BINS + 1)))
        which = np.searchsorted(edges[1:-1], p_hit, side="right")
        for i in np.unique(which):
            inside = which == i
            n, k = int(inside.sum()), int(hit[inside].sum())
            rows.append((float(p_hit[inside].mean()), k / n, *wilson(k, n), n))
    return pd.DataFrame(rows, columns=["stated", "observed", "low", "high", "readings"])


def calibration_error(table: pd.DataFrame) -> float:
    """Mean distance of stated from observed over `reliability` bins, weighted by readings."""
    if table.empty:
        return float("nan")
    distance = (table["stated"] - table["observed"]).abs()
    return float(np.average(distance, weights=table["readings"]))


def brier(p_hit: Floats, hit: Bools) -> float:
    """Mean squared distance of P(hit) from what happened (G. Brier, 1950); NaN of no readings."""
    known = np.isfinite(p_hit)
    return float(np.mean((p_hit[known] - hit[known]) ** 2)) if known.any() else float("nan")


def risk_coverage(confidence: Floats, false_lock: Bools, records: int) -> pd.DataFrame:
    """Share of false locks among the readings kept, as the threshold on confidence falls.

    Parameters
    ----------
    confidence, false_lock
        (n,) of the readings given on wall records; NaN confidences are never kept.
    records
        All wall records, silent ones too.

    Returns
    -------
    DataFrame
        ``threshold``, ``coverage`` (kept / records), ``risk`` (false locks / kept), ``kept``,
        ``false_locks``; one row for each distinct confidence, highest first. (R. El-Yaniv,
        Y. Wiener, J. Mach. Learn. Res. 11 (2010) 1605-1641.)
    """
    known = np.isfinite(confidence)
    order = np.argsort(-confidence[known], kind="stable")
    value, lock = confidence[known][order], false_lock[known][order]
    last = np.append(value[1:] != value[:-1], np.ones(min(value.size, 1), dtype=bool))
    kept = np.flatnonzero(last) + 1
    locks = np.cumsum(lock)[kept - 1]
    return pd.DataFrame(
        {
            "threshold": value[kept - 1],
            "coverage": kept / max(records, 1),
            "risk": locks / np.maximum(kept, 1),
            "kept": kept,
            "false_locks": locks,
        }
    )


def area_under_risk(table: pd.DataFrame) -> float:
    """Mean risk over the coverage reached (0 is perfect); NaN of no readings."""
    if table.empty:
        return float("nan")
    steps = np.diff(table["coverage"], prepend=0.0)
    return float(np.average(table["risk"], weights=steps))


@dataclass(frozen=True)
class Threshold:
    """Readings with P(hit) of `p_hit` or more keep the false-lock bound; NaN = none does."""

    p_hit: float
    false_lock_bound: float
    hit_rate: float
    kept: int
    note: str


def threshold_for(
    p_hit: Floats,
    false_lock: Bools,
    hit: Bools,
    sampling: Sampling,
    allowed: float,
    alpha: float = ALPHA,
) -> Threshold:
    """Lowest threshold on P(hit) whose upper bound of false locks / wall records is `allowed`.

    Parameters
    ----------
    p_hit, false_lock, hit
        (n,) of ALL wall records of `prove`; NaN = no reading, or one without a confidence.

    Notes
    -----
    The map is fitted on `tune`, its plateaus are few, and the kept false locks only grow as the
    threshold falls: so the thresholds are tried from the highest down at the full level, in an
    order fixed before.
    """
    everyone = np.ones(p_hit.size, dtype=bool)
    best = Threshold(np.nan, np.nan, np.nan, 0, "no estimate: no threshold keeps the bound")
    for level in _levels(p_hit):
        kept = p_hit >= level
        bound = at_most(false_lock & kept, everyone, sampling, alpha)
        if not bound <= allowed:
            break
        best = Threshold(float(level), bound, float(np.mean(hit & kept)), int(kept.sum()), "")
    return best


def _levels(p_hit: Floats) -> Floats:
    """At most 101 distinct values, highest first, spread evenly over the readings."""
    known = p_hit[np.isfinite(p_hit)]
    if known.size == 0:
        return known
    found = np.quantile(known, np.linspace(0, 1, 101), method="nearest")
    return np.asarray(np.unique(found)[::-1])
