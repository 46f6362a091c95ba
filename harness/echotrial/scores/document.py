"""Scores of one corpus as JSON data, with a schema that says what is in it."""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
import pandas as pd
from pydantic import Field

from echotrial.strict import Strict

if TYPE_CHECKING:
    from echotrial.scores.verdict import Verdict

SCHEMA: Final = "echotrial.scores/1"

Number = float | None


class ScoreRow(Strict):
    """A row of `columns.SCORES`; null = no estimate, no interval, or nothing to count."""

    detector: str
    stratum: str
    bin: str
    measure: str
    value: Number
    low: Number
    high: Number
    numerator: Number
    denominator: Number
    unit: str
    note: str


class AssessmentRow(Strict):
    """What is guaranteed of one detector at 95 % confidence; rates of walls inside the range."""

    detector: str
    rank: int = Field(description="1 = the choice, 0 = not eligible")
    false_lock: Number = Field(description="upper bound in the worst stratum, simultaneous")
    false_lock_in: str
    thick: Number = Field(description="upper bound of false locks that read too thick")
    phantom: Number = Field(description="upper bound on dry records")
    hit: Number = Field(description="lower bound over all walls")
    worst_hit: Number = Field(description="lower bound in the worst stratum, simultaneous")
    worst_hit_in: str
    rms_um: Number
    failures: list[str] = Field(description="why it is not eligible")


class VerdictData(Strict):
    """Which detector can be trusted."""

    answer: Literal["trust", "none of these", "not enough records to say"]
    detector: str | None
    sentence: str
    strata: int
    wall_records: int
    dry_records: int
    assessments: list[AssessmentRow]


class MapData(Strict):
    """Raw confidence -> P(hit | reading), linear between the knots and flat beyond them."""

    raw: list[float]
    p_hit: list[float]
    readings: int


class Document(Strict):
    """Everything that was scored on one corpus."""

    schema_: Literal["echotrial.scores/1"] = Field(SCHEMA, alias="schema")
    corpus: str
    origin: str
    verdict: VerdictData
    scores: list[ScoreRow]
    confidence_maps: dict[str, MapData]
    reliability: dict[str, list[dict[str, Number]]]
    risk: dict[str, list[dict[str, Number]]]


def document(
    corpus: str,
    origin: str,
    verdict: "Verdict",
    table: pd.DataFrame,
    maps: Mapping[str, Mapping[str, Any]],
    reliability: Mapping[str, pd.DataFrame],
    risk: Mapping[str, pd.DataFrame],
) -> dict[str, Any]:
    """Give the parts as plain data in the shape of `Document`, ready to be written as JSON."""
    data = {
        "schema": SCHEMA,
        "corpus": corpus,
        "origin": origin,
        "verdict": {
            **{k: v for k, v in vars(verdict).items() if k not in ("corpus", "assessments")},
            "answer": str(verdict.answer),
            "assessments": [_plain(vars(a)) for a in verdict.assessments],
        },
        "scores": _records(table.drop(columns="corpus")),
        "confidence_maps": maps,
        "reliability": {name: _records(t) for name, t in reliability.items()},
        "risk": {name: _records(thinned(t)) for name, t in risk.items()},
    }
    return data


def json_schema() -> dict[str, Any]:
    """The JSON schema of what `document` gives."""
    return Document.model_json_schema(by_alias=True)


def _records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as mappings, made column by column: there are tens of thousands of them."""
    columns = [_values(table[name]) for name in table]
    names = [str(name) for name in table]
    return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]


def _values(column: "pd.Series[Any]") -> list[Any]:
    if not pd.api.types.is_float_dtype(column):
        return column.tolist()
    number = column.to_numpy(dtype=np.float64)
    values = number.astype(object)
    values[~np.isfinite(number)] = None
    return list(values)


def _plain(row: Mapping[Any, Any]) -> dict[str, Any]:
    return {str(k): _value(v) for k, v in row.items()}


def _value(value: Any) -> Any:
    if isinstance(value, tuple):
        return list(value)
    if isinstance(value, float | np.floating):
        return float(value) if np.isfinite(value) else None
    return int(value) if isinstance(value, np.integer) else value


def thinned(table: pd.DataFrame, most: int = 101) -> pd.DataFrame:
    """At most so many rows, first and last among them: a curve needs no more."""
    keep = np.unique(np.linspace(0, len(table) - 1, min(len(table), most)).round().astype(int))
    return table.iloc[keep]
