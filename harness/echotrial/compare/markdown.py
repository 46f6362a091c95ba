"""A comparison as Markdown, for a pull request."""

from collections.abc import Iterable, Sequence
from typing import Final

from echotrial.compare.comparison import Comparison, DetectorVerdict
from echotrial.compare.table import (
    HEADINGS,
    NAMED,
    flips,
    moved,
    names_record,
    records_of,
    row_of,
)
from echotrial.compare.verdict import Verdict

_MARK: Final = {
    Verdict.WORSE: "❌ ",
    Verdict.NEWLY_FAILING: "❌ ",
    Verdict.NOT_COMPARABLE: "⚠️ ",
}


def markdown(comparison: Comparison, title: str = "Comparison of two trials") -> str:
    """Verdict table first, details folded below it."""
    parts = [f"## {title}", f"A: {cell(comparison.before)}  \nB: {cell(comparison.after)}"]
    parts += [table(("corpus", "detector", "verdict", "why"), map(_line, comparison.verdicts))]
    if comparison.changes:
        parts += ["Changed:", "\n".join(f"- {cell(c)}" for c in comparison.changes)]
    parts += [_details(comparison, v) for v in comparison.verdicts if moved(v)]
    parts += [
        f"*Holm*: p corrected over {comparison.questions} questions, level "
        f"{100 * comparison.level:g} %; *p same* is of two one-sided tests against the margin."
    ]
    return "\n\n".join(parts) + "\n"


def table(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table; cells may hold anything."""
    lines = [headings, ["---"] * len(headings), *rows]
    return "\n".join("| " + " | ".join(map(cell, line)) + " |" for line in lines)


def cell(text: str) -> str:
    """Text that breaks no table and starts no mark-up."""
    for sign in "\\`*_|<[]":
        text = text.replace(sign, "\\" + sign)
    return " ".join(text.split())


def _line(verdict: DetectorVerdict) -> tuple[str, str, str, str]:
    mark = _MARK.get(verdict.verdict, "")
    return verdict.corpus, verdict.detector or "all", f"{mark}{verdict.verdict}", verdict.reason


def _details(comparison: Comparison, verdict: DetectorVerdict) -> str:
    records = records_of(comparison, verdict)
    named = [names_record(row) for row in records.head(NAMED).to_dict("records")]
    return "\n\n".join(
        [
            f"<details><summary>{verdict.detector} on {verdict.corpus}</summary>",
            table(HEADINGS, [row_of(j) for j in moved(verdict)]),
            f"Outcomes flipped: {flips(records)}.",
            "\n".join(f"- {cell(n)}" for n in named),
            "</details>",
        ]
    )
