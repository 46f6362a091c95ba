"""A comparison on a terminal, in tables of at most 100 columns."""

import sys
from collections.abc import Iterable

from rich.console import Console
from rich.table import Table
from rich.text import Text

from echotrial.compare import Comparison, DetectorVerdict, Verdict
from echotrial.compare.table import (
    HEADINGS,
    NAMED,
    flips,
    moved,
    names_record,
    records_of,
    row_of,
)
from echotrial.report.terminal import console_for

_STYLE = {
    Verdict.WORSE: "bold red",
    Verdict.NEWLY_FAILING: "bold red",
    Verdict.NOT_COMPARABLE: "yellow",
    Verdict.BETTER: "green",
    Verdict.FIXED: "green",
}


def show_comparison(comparison: Comparison, console: Console | None = None) -> None:
    """Print the verdicts, then what moved and the records that show it."""
    console = console or console_for(sys.stdout)
    _say(console, f"A: {comparison.before}")
    _say(console, f"B: {comparison.after}")
    for change in comparison.changes:
        _say(console, f"   changed: {change}")
    for corpus in dict.fromkeys(v.corpus for v in comparison.verdicts):
        console.print()
        console.print(Text(corpus, style="bold"))
        mine = [v for v in comparison.verdicts if v.corpus == corpus]
        console.print(_overview(mine))
        for verdict in mine:
            _details(comparison, verdict, console)
    console.print()
    _say(console, _legend(comparison))


def _overview(verdicts: Iterable[DetectorVerdict]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), show_header=False)
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column()
    for v in verdicts:
        verdict = Text(str(v.verdict), _STYLE.get(v.verdict, ""))
        table.add_row(v.detector or "all", verdict, Text(v.reason))
    return table


def _details(comparison: Comparison, verdict: DetectorVerdict, console: Console) -> None:
    shown = moved(verdict)
    records = records_of(comparison, verdict)
    if not shown and records.empty:
        return
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column(verdict.detector)
    for heading in HEADINGS[1:-1]:
        table.add_column(heading, justify="right", no_wrap=True)
    table.add_column(HEADINGS[-1])
    for judged in shown:
        table.add_row(*row_of(judged))
    console.print()
    console.print(table)
    if len(records):
        _say(console, f"  outcomes flipped: {flips(records)}")
    for row in records.head(NAMED).to_dict("records"):
        _say(console, f"  {names_record(row)}")


def _legend(comparison: Comparison) -> str:
    return (
        f"Holm: p corrected over {comparison.questions} questions, level "
        f"{100 * comparison.level:g} %. p same: two one-sided tests against the margin. "
        "Rates are of walls in range (phantoms of records without a wall); errors of records "
        "where both read the right echoes. In brackets: prove records that would decide."
    )


def _say(console: Console, text: str) -> None:
    console.print(Text(text))
