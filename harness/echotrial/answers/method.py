"""A method chosen, calibrated, and measured with."""

from collections.abc import Sequence
from typing import Any, Final, Literal

import numpy as np
import pandas as pd
from pydantic import Field

from echotrial.choose.advice import Change
from echotrial.choose.conduct import Choice, Nothing
from echotrial.choose.method import Method
from echotrial.choose.search import Found
from echotrial.choose.standardise import Standardised
from echotrial.quantities import convert
from echotrial.scores.document import VerdictData
from echotrial.sheet.words import CAUTION
from echotrial.strict import Strict

CHOICE: Final = "echotrial.choice/1"
CALIBRATION: Final = "echotrial.calibration/1"
MEASUREMENT: Final = "echotrial.measurement/1"
Number = float | None


class ObjectiveData(Strict):
    """How settings did on tune records; rates of walls inside the range, phantoms of dry ones."""

    within: float = Field(description="0: all rates within limits, else -log2 of the worst excess")
    worst_hit: float = Field(description="in the worst wall bin")
    precision: Number = Field(description="minus the rms error, um; null: no right reading")
    hit: float
    false_lock: float
    thick: float
    phantom: float
    walls: int = Field(description="inside the range, of which the rates are")


class SearchedData(Strict):
    """What the search found for one detector."""

    detector: str
    settings: dict[str, Any]
    tried: int = Field(description="settings")
    objective: ObjectiveData | None = Field(description="null: it was lost")
    lost: str
    left: list[str] = Field(description="settings left untried, time was up; 'not confirmed'")
    finalist: bool


class HeightData(Strict):
    """How the best finalist did at one screen height (share of full scale)."""

    height: float
    detector: str
    objective: ObjectiveData


class HeightsData(Strict):
    """Screen heights tried on records made anew."""

    chosen: float
    tried: list[HeightData]
    sentence: str


class DuelData(Strict):
    """First against second on the same walls."""

    first: str
    second: str
    walls: int
    only_first: int
    only_second: int
    p_value: float = Field(description="exact McNemar test, two-sided")
    sentence: str


class RecordedVerdict(VerdictData):
    """The verdict on recordings of the user's."""

    corpus: str


class MissedRecord(Strict):
    """A recorded wall that was not hit."""

    record: int
    specimen: str | int | None
    outcome: str
    true_mm: Number
    thickness_mm: Number
    reason: str


class DisagreementData(Strict):
    """A finalist on recordings against the same one on the records made: (hits, walls)."""

    detector: str
    corpus: str
    recorded: tuple[int, int]
    simulated: tuple[int, int]
    p_value: float = Field(description="Fisher's exact test")
    sentence: str
    rows: list[MissedRecord]


class ChangeData(Strict):
    """A change of the set-up, tried by simulation."""

    words: str
    detector: str
    objective: ObjectiveData | None = Field(description="null: it cannot be simulated")
    refused: str


class ChoiceData(Strict):
    """Which detector, mode and settings can be trusted on a set-up."""

    schema_: Literal["echotrial.choice/1"] = Field(CHOICE, alias="schema")
    detector: str | None = Field(description="null: none can be trusted")
    verdict: VerdictData | None = Field(
        description="of the finalists on prove records; null: no detector hit a single tune record"
    )
    searched: list[SearchedData]
    screen_height: HeightsData | None
    hopeless: list[str] = Field(description="what the set-up alone rules out")
    duel: DuelData | None
    recorded: list[RecordedVerdict]
    disagreements: list[DisagreementData]
    advice: list[ChangeData] = Field(description="best first; empty unless none can be trusted")
    trial: str | None = Field(description="folder")
    method: str | None = Field(description="file")
    sheet: str | None = Field(description="page to print")
    caution: str


class SampleData(Strict):
    """A reference sample as the calibration took it."""

    name: str
    thickness_mm: float
    thickness_u_mm: float
    interval_ns: float
    interval_u_ns: float
    off_line_um: Number = Field(description="sample less straight line, as thickness")


class RefusedData(Strict):
    """A sample that takes no part."""

    name: str
    reason: str


class WallBudget(Strict):
    """Uncertainty of one wall; expanded with k = 2."""

    thickness_mm: float
    expanded_um: float
    drawn_expanded_um: float = Field(description="Monte Carlo (JCGM 101)")


class CalibrationData(Strict):
    """Velocity and zero offset from reference samples; u = standard uncertainty."""

    schema_: Literal["echotrial.calibration/1"] = Field(CALIBRATION, alias="schema")
    kind: str
    velocity_m_s: float
    velocity_u_m_s: float
    zero_offset_ns: float
    zero_offset_u_ns: float
    correlation: float
    fits: bool = Field(description="false: lack of fit to a straight line, nothing was written")
    p_value: Number = Field(description="of the chi-squared test; null: no degree of freedom")
    holds_mm: tuple[float, float]
    covers: bool = Field(description="whether the samples bracket the wall range")
    samples: list[SampleData]
    refused: list[RefusedData]
    budgets: list[WallBudget]
    method: str | None
    sheet: str | None
    caution: str


class MeasuredData(Strict):
    """A recording read; thickness null: no reading, `reason` says why."""

    record: int
    thickness_mm: Number
    expanded_mm: Number = Field(description="k = 2; null: not calibrated, or no reading")
    confidence: Number = Field(description="P(hit | reading)")
    reason: str


class MeasurementData(Strict):
    """Recordings read with a method."""

    schema_: Literal["echotrial.measurement/1"] = Field(MEASUREMENT, alias="schema")
    method: str
    detector: str
    calibrated: bool
    readings: list[MeasuredData]
    caution: str


def chosen(
    choice: Choice, advice: Sequence[Change], method: str | None, sheet: str | None
) -> dict[str, Any]:
    """What was chosen and how, as data."""
    high = choice.heights
    return {
        "detector": choice.detector,
        "verdict": choice.verdict,
        "searched": _searched(choice.found, {f.detector for f in choice.finalists}),
        "screen_height": {
            "chosen": high.chosen,
            "tried": [
                {"height": h.height, "detector": h.detector, "objective": _rates(h.objective)}
                for h in high.tried
            ],
            "sentence": high.sentence,
        },
        "hopeless": list(choice.feasible.hopeless),
        "duel": None if choice.duel is None else vars(choice.duel),
        "recorded": choice.recorded,
        "disagreements": [
            {**vars(d), "sentence": d.sentence, "rows": d.rows.to_dict("records")}
            for d in choice.disagreements
        ],
        "advice": _advice(advice),
        "trial": str(choice.trial.folder),
        "method": method,
        "sheet": sheet,
        "caution": CAUTION,
    }


def nothing(found: Nothing, advice: Sequence[Change], page: str) -> dict[str, Any]:
    """A search in which no detector hit a wall, as data of the same form."""
    return {
        "detector": None,
        "verdict": None,
        "searched": _searched(found.found, set()),
        "screen_height": None,
        "hopeless": list(found.feasible.hopeless),
        "duel": None,
        "recorded": [],
        "disagreements": [],
        "advice": _advice(advice),
        "trial": None,
        "method": None,
        "sheet": page,
        "caution": CAUTION,
    }


def _searched(rows: Sequence[Found], finalists: set[str]) -> list[dict[str, Any]]:
    names = ("detector", "settings", "tried", "lost", "left")
    return [
        {
            **{k: getattr(f, k) for k in names},
            "objective": _rates(f.objective),
            "finalist": f.detector in finalists,
        }
        for f in rows
    ]


def _advice(tried: Sequence[Change]) -> list[dict[str, Any]]:
    return [{**vars(c), "objective": _rates(c.objective)} for c in tried]


def _rates(objective: Any) -> dict[str, Any] | None:
    return None if objective is None else dict(vars(objective))


def calibrated(found: Standardised, method: str | None, sheet: str | None) -> dict[str, Any]:
    """A calibration as data."""
    c = found.calibration
    residuals = c.residual_m or (float("nan"),) * len(found.samples)
    return {
        "kind": c.kind,
        "velocity_m_s": c.velocity,
        "velocity_u_m_s": c.velocity_u,
        "zero_offset_ns": c.zero_offset * 1e9,
        "zero_offset_u_ns": c.zero_offset_u * 1e9,
        "correlation": c.correlation,
        "fits": c.fits,
        "p_value": c.p_value,
        "holds_mm": [1e3 * w for w in c.holds_m],
        "covers": found.covers,
        "samples": [
            {
                "name": s.name,
                "thickness_mm": s.thickness_m * 1e3,
                "thickness_u_mm": s.thickness_u_m * 1e3,
                "interval_ns": s.interval_s * 1e9,
                "interval_u_ns": s.interval_u_s * 1e9,
                "off_line_um": residual * 1e6,
            }
            for s, residual in zip(found.samples, residuals, strict=True)
        ],
        "refused": [vars(r) for r in found.refused],
        "budgets": [
            {
                "thickness_mm": b.thickness_m * 1e3,
                "expanded_um": b.expanded_m * 1e6,
                "drawn_expanded_um": b.drawn_expanded_m * 1e6,
            }
            for b in found.method.budgets()
        ],
        "method": method,
        "sheet": sheet,
        "caution": CAUTION,
    }


def measured(method: Method, table: pd.DataFrame) -> dict[str, Any]:
    """Readings as data, lengths in millimetres whatever the method's unit."""
    unit = method.setup.length_unit
    per_mm = 1e-3 * convert(1.0, "length", unit)
    said = table[[f"thickness_{unit}", f"U_{unit}"]].to_numpy(np.float64) / per_mm
    return {
        "method": method.name,
        "detector": method.detector,
        "calibrated": method.calibration is not None,
        "readings": [
            {
                "record": row["record"],
                "thickness_mm": thickness,
                "expanded_mm": expanded,
                "confidence": row["confidence"],
                "reason": row["reason"],
            }
            for row, (thickness, expanded) in zip(table.to_dict("records"), said, strict=True)
        ],
        "caution": CAUTION,
    }
