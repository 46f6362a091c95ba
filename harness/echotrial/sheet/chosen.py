"""What `choose` prints: the search, the finalists, the verdict, and what would help."""

from collections.abc import Sequence
from typing import Final

from rich.console import Console
from rich.table import Table

from echotrial.choose.advice import Change, conclusion
from echotrial.choose.conduct import Choice, Nothing
from echotrial.choose.feasibility import Feasibility
from echotrial.choose.search import SCREEN, UNCONFIRMED, Found
from echotrial.sheet.words import CAUTION

#: Why nothing was proven.
NO_HIT: Final = "no detector hit a single wall of those to tune on."
#: Records of a disagreement that are named.
MOST_ROWS: Final = 10


def show(choice: Choice, console: Console) -> None:
    """Print how it was chosen, and what."""
    manifest = choice.corpus.manifest.records
    console.print(
        f"Records made around the set-up ({choice.corpus.origin}): {manifest.tune} to tune on, "
        f"{manifest.prove} to prove on.",
        highlight=False,
    )
    console.print(_searched(choice.found, [f.detector for f in choice.finalists]))
    for found in choice.found:
        if left := ", ".join(name for name in found.left if name != UNCONFIRMED):
            console.print(f"{found.detector}: not tried, time was up: {left}", highlight=False)
    if first := ", ".join(f.detector for f in choice.found if UNCONFIRMED in f.left):
        console.print(
            f"{UNCONFIRMED}, as judged on the first {SCREEN} records alone: {first}",
            highlight=False,
        )
    console.print(choice.heights.sentence, highlight=False)
    console.print("\n[bold]Proven[/bold] (bounds at 95 % confidence)")
    console.print(_proven(choice))
    console.print(f"\n{choice.verdict['sentence']}", highlight=False)
    if choice.detector is None:
        _before_any_trial(choice.feasible, console)
    if choice.duel is not None:
        console.print(choice.duel.sentence, highlight=False)
    for other in choice.recorded:
        console.print(f"Recordings: {other['sentence']}", highlight=False)
    for apart in choice.disagreements:
        console.print(apart.sentence, highlight=False)
        for row in apart.rows.head(MOST_ROWS).itertuples():
            console.print(
                f"  record {row.record} ({row.specimen}): {row.outcome}, "
                f"true {row.true_mm:.4g} mm, read {row.thickness_mm:.4g} mm",
                highlight=False,
            )
        if len(apart.rows) > MOST_ROWS:
            console.print(f"  and {len(apart.rows) - MOST_ROWS} more, in the trial folder")
    console.print(f"\n{CAUTION}", highlight=False)


def _table(*names: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0))
    for i, name in enumerate(names):
        table.add_column(name, no_wrap=i < 2, justify="left" if i == 0 else "right")
    return table


def show_nothing(nothing: Nothing, console: Console) -> None:
    """Print a search in which nobody hit a wall."""
    console.print(_searched(nothing.found, ()))
    console.print(f"\nnone of these can be trusted: {NO_HIT}", highlight=False)
    _before_any_trial(nothing.feasible, console)
    console.print(f"\n{CAUTION}", highlight=False)


def _before_any_trial(feasible: Feasibility, console: Console) -> None:
    """What was to be seen from the set-up alone (`setup show` tells more)."""
    if feasible.hopeless:
        console.print("The set-up itself says:", highlight=False)
    for line in feasible.hopeless:
        console.print(f"  {line}", highlight=False)


def _searched(rows: Sequence[Found], finalists: Sequence[str]) -> Table:
    table = _table("searched on tune", "tried", "hit %", "worst %", "false lock %", "phantom %", "")
    for found in rows:
        value = found.objective
        mark = "* " if found.detector in finalists else ""
        if value is None:
            table.add_row(found.detector, str(found.tried), "", "", "", "", found.lost[:40])
            continue
        table.add_row(
            f"{mark}{found.detector}", str(found.tried), f"{100 * value.hit:.1f}",
            f"{100 * value.worst_hit:.1f}", f"{100 * value.false_lock:.2f}",
            f"{100 * value.phantom:.1f}", found.lost[:40],
        )  # fmt: skip
    return table


def _proven(choice: Choice) -> Table:
    table = _table("finalist", "rank", "hit >=", "worst >=", "lock <=", "thick <=", "phantom <=",
                   "rms um")  # fmt: skip
    for a in choice.verdict["assessments"]:
        table.add_row(
            a["detector"], str(a["rank"] or "-"),
            *(_percent(a[k]) for k in ("hit", "worst_hit", "false_lock", "thick", "phantom")),
            "-" if a["rms_um"] is None else f"{a['rms_um']:.2f}",
        )  # fmt: skip
    return table


def _percent(value: float | None) -> str:
    return "-" if value is None else f"{100 * value:.{2 if value < 0.0995 else 1}f} %"


def show_advice(found: Sequence[Change], console: Console) -> None:
    """Print the changes tried, best first, and which would help most."""
    table = _table("change", "detector", "hit %", "worst %", "false lock %", "phantom %")
    for change in found:
        value = change.objective
        if value is None:
            table.add_row(change.words, "cannot be simulated", "", "", "", "")
            continue
        table.add_row(
            change.words, change.detector if value.hit else "-", f"{100 * value.hit:.1f}",
            f"{100 * value.worst_hit:.1f}", f"{100 * value.false_lock:.2f}",
            f"{100 * value.phantom:.1f}",
        )  # fmt: skip
    console.print(table)
    console.print(conclusion(found), highlight=False)
