"""A trial as tables of at most 100 columns; in colour on a terminal only."""

import math
import sys
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

from rich.console import Console
from rich.table import Table

from echotrial.trial.folder import Trial

WIDTH: Final = 100
_KINDS: Final = ("off", "echo skip", "cycle skip", "ambiguous", "tail lock", "stray")
_FAULTS: Final = ("crashed", "timed out", "invalid", "not applicable")
_CAUTION: Final = (
    "Evidence from simulation qualifies no procedure: verify on reference blocks of the same "
    "material, geometry and range, and follow the applicable code and qualified personnel."
)
_LEGEND: Final = (
    "Rates are of walls in range, with 95 % intervals. hit: within tolerance. silent: a wall and "
    "no reading. false lock: a wrong number, whatever the cause; thick: those that read too thick. "
    "bias, rms: of readings of the right echoes. thinnest: wall in wavelengths (wl) from which on "
    "90 % hits are guaranteed; - = none. phantom: a reading where there is no wall, the probe dry "
    "or its tip wet."
)
_WALL: Final = "wall_wavelengths"
#: Strata that tables are made of.
_SHOWN: Final = ("whole", "no wall", _WALL)
#: A full block is this share: all hits, or more false locks than anybody can live with.
_FULL: Final = {"hit": 1.0, "false lock": 0.1}


class Scores:
    """Looks numbers up in the scores of one corpus, as scores.json has them."""

    def __init__(self, rows: Sequence[Mapping[str, Any]]) -> None:
        keys = ("detector", "stratum", "bin", "measure", "unit")
        shown = [row for row in rows if row["stratum"] in _SHOWN]
        self._rows: dict[tuple[Any, ...], Mapping[str, Any]] = {
            tuple(row[k] for k in keys): {k: math.nan if v is None else v for k, v in row.items()}
            for row in shown
        }
        self.detectors = list(dict.fromkeys(row["detector"] for row in rows))
        self.bins = list(dict.fromkeys(row["bin"] for row in shown if row["stratum"] == _WALL))

    def row(
        self, detector: str, measure: str, stratum: str = "whole", part: str = "", unit: str = "1"
    ) -> Mapping[str, Any]:
        """A row of the long table; all NaN where there is none."""
        nothing = dict.fromkeys(("value", "low", "high", "numerator", "denominator"), math.nan)
        return self._rows.get((detector, stratum, part, measure, unit), nothing)


class Printout:
    """Each corpus: how often right, silent and wrong; how it is wrong; whom to trust.

    It can be laid out corpus by corpus while a trial goes on, and is printed at its end.
    """

    def __init__(self, console: Console | None = None) -> None:
        self._console, self._texts = console or console_for(sys.stdout), list[str]()

    def hear(self, trial: Trial, document: Mapping[str, Any]) -> None:
        """Lay a corpus out, as `trial.conduct` tells of it."""
        with self._console.capture() as text:
            _show_corpus(trial, document, self._console)
        self._texts.append(text.get())

    def print(self, trial: Trial) -> None:
        """Print all of it."""
        self._console.file.write("".join(self._texts))
        self._console.print(f"\n{_LEGEND}", highlight=False)
        self._console.print(f"\n{_CAUTION}", highlight=False)
        self._console.print(f"Trial folder: {trial.folder}", highlight=False, soft_wrap=True)


def show_trial(trial: Trial, console: Console | None = None) -> None:
    """Print a trial from its folder."""
    printout = Printout(console)
    for document in trial.documents():
        printout.hear(trial, document)
    printout.print(trial)


def _show_corpus(trial: Trial, document: Mapping[str, Any], console: Console) -> None:
    corpus = next(info for info in trial.info["corpora"] if info["name"] == document["corpus"])
    scores = Scores(document["scores"])
    seconds = {
        row["detector"]: row["seconds"]
        for row in trial.info["seconds_per_record"]
        if row["corpus"] == corpus["name"]
    }
    counts = f"{corpus['prove']} prove records, {corpus['tune']} tune"
    console.print(f"\n[bold]{corpus['name']}[/bold] ({corpus['origin']}; {counts})")
    console.print(_rates(scores, seconds))
    console.print()
    console.print(_kinds(scores))
    if scores.bins:
        console.print()
        console.print(_sparks(scores, blocks=not console.options.ascii_only))
    console.print()
    console.print(document["verdict"]["sentence"], style="bold", highlight=False)


def console_for(stream: Any) -> Console:
    """Give a console that is never wider than `WIDTH` and colourless where nobody looks."""
    terminal = Console(file=stream)
    width = min(terminal.width, WIDTH) if terminal.is_terminal else WIDTH
    return Console(file=stream, width=width)


def _rates(scores: Scores, seconds: Mapping[str, float]) -> Table:
    table = _table("detector", "hit %", "silent %", "false lock %", "thick %", "bias\num",
                   "rms\num", "thinnest\nwl", "us a\nrecord")  # fmt: skip
    for name in scores.detectors:
        waves = scores.row(name, "thin-wall limit", unit="wavelengths")["value"]
        table.add_row(
            name,
            _with_interval(scores.row(name, "hit")),
            _percent(scores.row(name, "dropout")["value"]),
            _with_interval(scores.row(name, "false lock")),
            _percent(scores.row(name, "thick false lock")["value"]),
            _number(scores.row(name, "bias", unit="um")["value"], "+.2f"),
            _number(scores.row(name, "rms", unit="um")["value"], ".2f"),
            _number(waves, ".2f"),
            _number(seconds.get(name, math.nan) * 1e6, ".1f"),
        )
    return table


def _kinds(scores: Scores) -> Table:
    faults = [f for f in _FAULTS if _any(scores, f)]
    empty = [k for k in ("dry", "wet tip") if _any(scores, "phantom", "no wall", k)]
    names = (*_KINDS, *faults, *(f"phantom {k}" for k in empty))
    table = _table("how it was wrong, records", *(_in_two(name) for name in names))
    for name in scores.detectors:
        row = [_count(scores.row(name, kind)) for kind in (*_KINDS, *faults)]
        phantoms = [_fraction(scores.row(name, "phantom", "no wall", k)) for k in empty]
        table.add_row(name, *row, *phantoms)
    return table


def _sparks(scores: Scores, *, blocks: bool) -> Table:
    """Outcomes over the wall, a character for each bin."""
    parts = [part.split(" to ") for part in scores.bins]
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    table.add_column(f"over wall, {parts[0][0]} to {parts[-1][-1]} wavelengths", no_wrap=True)
    table.add_column("hits (full: 100 %)", style="green")
    table.add_column("false locks (full: 10 % or more)", style="red")
    for name in scores.detectors:
        table.add_row(
            name,
            *(
                spark([scores.row(name, m, _WALL, b)["value"] / full for b in scores.bins], blocks)
                for m, full in _FULL.items()
            ),
        )
    return table


def spark(shares: Sequence[float], blocks: bool = True) -> str:
    """A character for each share of 1: blocks of rising height, or digits; a dot where unknown."""
    levels = "▁▂▃▄▅▆▇█" if blocks else "0123456789"
    top = len(levels) - 1
    return "".join(
        levels[math.ceil(min(max(share, 0.0), 1.0) * top)]
        if math.isfinite(share)
        else "·."[not blocks]
        for share in shares
    )


def _in_two(name: str) -> str:
    """A heading with its first word above the rest, so that it stays narrow."""
    return "\n".join(name.split(" ", 1))


def _any(scores: Scores, measure: str, *where: str) -> bool:
    """Whether a fault happened at all, or (with a stratum) whether there are such records."""
    key = "denominator" if where else "numerator"
    return any(scores.row(name, measure, *where)[key] > 0 for name in scores.detectors)


def _table(first: str, *others: str) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column(first.replace(", ", ",\n"), no_wrap=True, vertical="bottom")
    for name in others:
        table.add_column(name, justify="right", no_wrap=True, vertical="bottom")
    return table


def _finite(shown: Callable[[float], str], value: float) -> str:
    return shown(value) if math.isfinite(value) else "-"


def _percent(value: float) -> str:
    """Three digits, so that a small rate shows more of itself than a large one."""
    return _finite(lambda v: f"{100 * v:.{2 if v < 0.0995 else 1}f}", value)


def _number(value: float, form: str) -> str:
    return _finite(lambda v: format(v, form), value)


def _with_interval(row: Mapping[str, Any]) -> str:
    value = _percent(row["value"])
    if not math.isfinite(row["low"]):
        return value
    return f"{value} ({_percent(row['low'])}-{_percent(row['high'])})"


def _count(row: Mapping[str, Any]) -> str:
    return _finite(lambda v: f"{v:.0f}", row["numerator"])


def _fraction(row: Mapping[str, Any]) -> str:
    if not row["denominator"] > 0:
        return "-"
    return f"{row['numerator']:.0f}/{row['denominator']:.0f}"
