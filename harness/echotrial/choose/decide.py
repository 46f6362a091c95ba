"""What decides between the first two, and whether their difference is real."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd
from scipy import stats


@dataclass(frozen=True)
class Duel:
    """First against second on the same wall records inside the range.

    Attributes
    ----------
    only_first, only_second
        Walls that only one of them hit.
    p_value
        Exact McNemar test, two-sided.
    """

    first: str
    second: str
    walls: int
    only_first: int
    only_second: int
    p_value: float
    sentence: str


def ranking(verdict: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Assessments, best first: the eligible by rank, then the others by what they lack."""
    found: Sequence[Mapping[str, Any]] = verdict["assessments"]

    def key(a: Mapping[str, Any]) -> tuple[float, ...]:
        return (a["rank"] or 99, len(a["failures"]), -(a["hit"] or 0.0))

    return sorted(found, key=key)


def duel(
    readings: pd.DataFrame, truth: pd.DataFrame, verdict: Mapping[str, Any],
    wall_range_m: tuple[float, float],
) -> Duel | None:  # fmt: skip
    """Compare the first two of a verdict; None where there is no second."""
    ranked = ranking(verdict)
    if len(ranked) < 2:
        return None
    first, second = ranked[0], ranked[1]
    hits = _hits(readings, truth, wall_range_m)
    a, b = hits[first["detector"]], hits[second["detector"]]
    more, fewer = int((a & ~b).sum()), int((b & ~a).sum())
    p = float(stats.binomtest(more, more + fewer).pvalue) if more + fewer else 1.0
    words = _words(first, second, more, fewer, len(a), p)
    return Duel(first["detector"], second["detector"], len(a), more, fewer, p, words)


def _hits(
    readings: pd.DataFrame, truth: pd.DataFrame, wall_range_m: tuple[float, float]
) -> pd.DataFrame:
    """Hit or not of each wall record of `prove` inside the range (rows), by detector."""
    low, high = (1e3 * w for w in wall_range_m)
    wall = truth.set_index("record")["thickness_mm"]
    prove = truth.set_index("record")["split"] == "prove"
    inside = wall.index[prove & wall.between(low - 1e-9, high + 1e-9)]
    rows = readings[readings["record"].isin(inside)]
    table = rows.assign(hit=rows["outcome"].astype(str) == "hit")
    return table.pivot_table(
        index="record", columns="detector", values="hit", aggfunc="first", observed=True
    ).astype(bool)


def _words(
    first: Mapping[str, Any], second: Mapping[str, Any], more: int, fewer: int, walls: int, p: float
) -> str:
    names = first["detector"], second["detector"]
    if first["rank"] and not second["rank"]:
        why = f"{names[1]} may not be trusted: {'; '.join(second['failures'])}"
    elif first["rank"] and second["rank"]:
        why = (
            f"guaranteed hits in the worst stratum decide: {first['worst_hit']:.1%} against "
            f"{second['worst_hit']:.1%}"
        )
    else:
        why = "neither may be trusted"
    real = "a real difference" if p < 0.05 else "no more than chance"
    return (
        f"{names[0]} before {names[1]}: {why}. Of {walls} walls {more} were hit by {names[0]} "
        f"alone and {fewer} by {names[1]} alone ({real}; exact McNemar test, p = {p:.2g})."
    )
