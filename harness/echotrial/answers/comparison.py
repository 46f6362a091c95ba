"""Two trials compared, and a trial held against its baseline."""

from collections.abc import Mapping
from typing import Any, Final, Literal

from pydantic import Field

from echotrial.compare import Verdict
from echotrial.compare.table import SCHEMA, as_json
from echotrial.guard import Baseline, Report
from echotrial.strict import Strict

GUARD: Final = "echotrial.guard/1"
Number = float | None


class FindingData(Strict):
    """One quantity of one detector on one corpus in A (before) and in B (after)."""

    quantity: str
    unit: Literal["1", "um"] = Field(description="1: a share, or the relative growth of the spread")
    records: int = Field(description="prove records of the corpus")
    n: int = Field(description="records that this rests on")
    differing: int = Field(description="of them (or of their specimens) those that differ")
    before: Number
    after: Number
    effect: Number = Field(description="the change")
    interval: tuple[Number, Number] = Field(description="95 % interval of the change")
    margin: float = Field(description="up to which a change is none")
    p: Number = Field(description="two-sided, of no change")
    p_adjusted: Number = Field(description="the same, corrected over all questions (Holm)")
    p_equivalence: Number = Field(description="that the change is not within the margin")
    worsening: bool = Field(description="whether a change of this sign is one to the worse")
    method: str = Field(description="the test behind p")
    more: int = Field(description="of a rate: records with the event in B alone")
    fewer: int = Field(description="of a rate: records with the event in A alone")
    verdict: Verdict
    records_needed: int | None = Field(description="prove records that would decide, if undecided")


class VerdictData(Strict):
    """One detector on one corpus."""

    corpus: str
    detector: str = Field(description="A > B where two names were paired; empty: all detectors")
    verdict: Verdict
    reason: str
    findings: list[FindingData]


class ChangedRecord(Strict):
    """A record that flipped, or whose error moved; most telling first within corpus and detector.

    Outcomes stand as in readings.parquet, with ``thick`` or ``thin`` before a false lock.
    """

    corpus: str
    detector: str
    record: int
    turn: Literal["worse", "better"]
    was: str
    now: str
    was_um: Number = Field(description="error in A")
    now_um: Number = Field(description="error in B")
    thickness_mm: Number = Field(description="null: no wall")
    echo_snr_db: Number
    specimen: str | int | None


class ComparisonData(Strict):
    """B compared with A, record by record."""

    schema_: Literal["echotrial.comparison/1"] = Field(SCHEMA, alias="schema")
    before: str = Field(description="A")
    after: str = Field(description="B")
    level: float = Field(description="of significance, over all questions together")
    questions: int
    exit_code: Literal[0, 1, 3]
    changes: list[str] = Field(description="what differs between the programs")
    verdicts: list[VerdictData]
    records: list[ChangedRecord]


class AcceptedData(Strict):
    """What a baseline now holds."""

    file: str
    because: str
    detectors: int
    corpora: int
    records: int


class GuardData(Strict):
    """A trial held against its baseline."""

    schema_: Literal["echotrial.guard/1"] = Field(GUARD, alias="schema")
    answer: str
    exit_code: Literal[0, 1, 3]
    new: list[str] = Field(description="not in the baseline, so not judged")
    troubles: list[str] = Field(description="plugins that failed to load")
    comparison: ComparisonData | None = Field(description="null: there was no baseline before")
    accepted: AcceptedData | None = Field(description="null: nothing was asked to be accepted")


def guarded(report: Report) -> dict[str, Any]:
    """The answer of a guard as data."""
    return {
        "answer": report.answer,
        "exit_code": report.exit_code,
        "new": report.new,
        "troubles": report.troubles,
        "comparison": as_json(report.comparison),
        "accepted": None,
    }


def accepted(found: Baseline, report: Report | None, file: str, because: str) -> Mapping[str, Any]:
    """What was accepted, and how it compares with the baseline before, as data."""
    corpora = found.side.corpora
    before = {"new": (), "troubles": (), "comparison": None} if report is None else guarded(report)
    return {
        **before,
        "answer": f"accepted: {because}",
        "exit_code": 0,
        "accepted": {
            "file": file,
            "because": because,
            "detectors": len(found.side.detectors),
            "corpora": len(corpora),
            "records": sum(c.records.size for c in corpora.values()),
        },
    }
