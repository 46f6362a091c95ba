"""A comparison as plain rows and JSON data, for whoever prints it."""

import math
from dataclasses import asdict
from typing import Any, Final, NamedTuple

import pandas as pd

from echotrial.compare.comparison import Comparison, DetectorVerdict, Judged
from echotrial.compare.finding import Finding
from echotrial.compare.verdict import Verdict
from echotrial.strict import plain

SCHEMA: Final = "echotrial.comparison/1"
#: Records named for each detector and corpus.
NAMED: Final = 3


class Row(NamedTuple):
    """A finding in words: every number with its unit."""

    quantity: str
    before: str
    after: str
    change: str
    interval: str
    p: str
    adjusted: str
    equivalence: str
    verdict: str


HEADINGS: Final = Row(
    "quantity", "A", "B", "change", "95 % interval", "p", "Holm", "p same", "verdict"
)


def row_of(judged: Judged) -> Row:
    """Give the row of a finding."""
    f = judged.finding
    scale, sign = _scale(f), "+.2f"
    level = 1.0 if f.quantity == "spread" else scale
    low, high = (_number(scale * end, sign) for end in f.interval)
    return Row(
        f"{f.quantity}, {_unit(f)}",
        _number(level * f.before, ".2f"),
        _number(level * f.after, ".2f"),
        _number(scale * f.effect, sign),
        f"{low} to {high}" if high != "-" else "-",
        _p(f.p),
        _p(f.p_adjusted),
        _p(f.p_equivalence),
        _verdict(judged),
    )


def moved(verdict: DetectorVerdict) -> list[Judged]:
    """Quantities to show: those that differ at all, or about which something can be said."""
    told = (Verdict.WORSE, Verdict.BETTER)
    return [j for j in verdict.judged if j.finding.differing or j.verdict in told]


def names_record(row: Any) -> str:
    """One record of `Comparison.records` in words."""
    was, now = (_read(row[k], row[f"{k}_um"]) for k in ("was", "now"))
    wall = "no wall" if math.isnan(row["thickness_mm"]) else f"{row['thickness_mm']:.3f} mm"
    echo = "" if math.isnan(row["echo_snr_db"]) else f", echo {row['echo_snr_db']:.0f} dB"
    return f"record {row['record']} ({wall}{echo}): {was} -> {now}"


def records_of(comparison: Comparison, verdict: DetectorVerdict) -> pd.DataFrame:
    """The records that show a verdict, most telling first."""
    found = comparison.records
    mine = (found["corpus"] == verdict.corpus) & (found["detector"] == verdict.detector)
    return found[mine]


def flips(records: pd.DataFrame) -> str:
    """How many records turned which way."""
    flipped = records[records["was"] != records["now"]]
    worse = int((flipped["turn"] == "worse").sum())
    return f"{worse} to the worse, {len(flipped) - worse} to the better"


def as_json(comparison: Comparison) -> dict[str, Any]:
    """Everything, NaN and infinity as null."""
    return {
        "schema": SCHEMA,
        "before": comparison.before,
        "after": comparison.after,
        "level": comparison.level,
        "questions": comparison.questions,
        "exit_code": comparison.exit_code,
        "changes": list(comparison.changes),
        "verdicts": [_verdict_json(v) for v in comparison.verdicts],
        "records": [plain(row) for row in comparison.records.to_dict("records")],
    }


def _verdict_json(verdict: DetectorVerdict) -> dict[str, Any]:
    return {
        "corpus": verdict.corpus,
        "detector": verdict.detector,
        "verdict": str(verdict.verdict),
        "reason": verdict.reason,
        "findings": [_finding_json(judged) for judged in verdict.judged],
    }


def _finding_json(judged: Judged) -> dict[str, Any]:
    numbers = asdict(judged.finding) | {"interval": list(judged.finding.interval)}
    numbers |= {"verdict": str(judged.verdict), "records_needed": judged.needed}
    found = plain(numbers)
    for known in ("corpus", "detector", "sd_one"):
        del found[known]
    return dict(found)


def _scale(finding: Finding) -> float:
    return 100.0 if finding.unit == "1" else 1.0


def _unit(finding: Finding) -> str:
    if finding.quantity == "spread":
        return "um and %"
    return "um" if finding.unit == "um" else "%"


def _number(value: float, form: str) -> str:
    if not math.isfinite(value):
        return "-"
    text = format(value, form)
    return text.replace("-", "+" if "+" in form else "") if float(text) == 0 else text


def _p(value: float) -> str:
    if value < 1e-4:
        return "<0.0001"
    return f"{value:.4f}" if value < 0.1 else f"{value:.2f}"


def _verdict(judged: Judged) -> str:
    if judged.verdict is Verdict.SAME:
        return "same"
    if judged.needed is None:
        return str(judged.verdict)
    return f"{judged.verdict} ({judged.needed:,})"


def _read(outcome: str, error_um: float) -> str:
    return outcome if math.isnan(error_um) else f"{outcome} ({error_um:+.1f} um)"
