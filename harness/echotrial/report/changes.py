"""The page of a comparison: what flipped, record by record, with the A-scans of flipped records."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import zip_longest
from pathlib import Path
from typing import Any, Final

import pandas as pd

from echotrial.compare import Comparison, DetectorVerdict
from echotrial.compare.table import HEADINGS, flips, moved, records_of, row_of
from echotrial.files import write_text
from echotrial.report.compact import outcomes
from echotrial.report.page import CAUTIONS, Deflated, as_json, embedded, render
from echotrial.report.record import Reading, Record, Records
from echotrial.trial.folder import Trial

#: A-scans carried, and records listed for each detector and corpus.
EMBEDDED, LISTED = 60, 2000
_SCRIPTS: Final = ("data.js", "draw.js", "list.js", "changes.js")


@dataclass(frozen=True, eq=False)
class _Part:
    """One detector on one corpus."""

    verdict: DetectorVerdict
    rows: pd.DataFrame

    @property
    def names(self) -> tuple[str, str]:
        """The detector before and after; they differ where the user paired two."""
        before, _, after = self.verdict.detector.partition(" > ")
        return before, after or before


def write(comparison: Comparison, before: Trial, after: Trial, path: Path) -> None:
    """Write the page."""
    write_text(path, html(comparison, before, after))


def html(comparison: Comparison, before: Trial, after: Trial) -> str:
    """The page as text."""
    parts = [_Part(v, records_of(comparison, v)) for v in comparison.verdicts]
    look = _Looker(before, after)
    carried = {_key(i, n): embedded(look(parts[i], n)) for i, n in _most_telling(parts)}
    return render(
        "changes.html.j2",
        _SCRIPTS,
        Deflated(
            as_json(
                {
                    "outcomes": outcomes(),
                    "parts": [_payload(part) for part in parts],
                    "embedded": carried,
                    "missing": look.missing,
                }
            )
        ),
        title=f"{before.folder.name} compared with {after.folder.name}",
        comparison=comparison,
        parts=[_for_template(part) for part in parts],
        headings=HEADINGS,
        carried=len(carried),
        missing=look.missing,
        cautions=CAUTIONS,
    )


def _key(part: int, record: int) -> str:
    return f"{part}/{record}"


class _Looker:
    """Makes a record whose readings are those of one detector in A and in B."""

    def __init__(self, before: Trial, after: Trial) -> None:
        self._trials, self._known = (before, after), dict[tuple[int, str], Records]()

    def __call__(self, part: _Part, number: int) -> Record:
        corpus = part.verdict.corpus
        a, b = (self._records(side, corpus)[number] for side in (0, 1))
        readings = [
            _renamed(r, f"{r.detector} ({letter})")
            for record, name, letter in zip((a, b), part.names, "AB", strict=True)
            for r in record.readings
            if r.detector == name
        ]
        seen = b if b.wave is not None else a
        return replace(seen, readings=tuple(readings))

    def _records(self, side: int, corpus: str) -> Records:
        key = (side, corpus)
        if key not in self._known:
            self._known[key] = Records(self._trials[side], corpus)
        return self._known[key]

    @property
    def missing(self) -> str:
        """Why there are no waveforms, where neither trial's corpus is to be had."""
        named = {corpus for _, corpus in self._known}
        gone = [
            self._known[0, c].missing
            for c in named
            if self._known[0, c].missing and self._known[1, c].missing
        ]
        return "; ".join(sorted(gone))


def _renamed(reading: Reading, name: str) -> Reading:
    return Reading({**reading.row, "detector": name}, reading.why)


def _most_telling(parts: list[_Part]) -> list[tuple[int, int]]:
    """Part and record of the A-scans to carry: flips first, each part in turn."""
    queues = [[(i, n) for n in _flipped_first(p.rows)] for i, p in enumerate(parts)]
    in_turn: Iterator[tuple[int, int]] = (
        one for rank in zip_longest(*queues) for one in rank if one is not None
    )
    return [one for one, _ in zip(in_turn, range(EMBEDDED), strict=False)]


def _flipped_first(rows: pd.DataFrame) -> list[int]:
    flipped = rows["was"] != rows["now"]
    return [int(n) for n in [*rows.loc[flipped, "record"], *rows.loc[~flipped, "record"]]]


def _payload(part: _Part) -> dict[str, Any]:
    rows = part.rows.iloc[:LISTED]
    columns = ("record", "turn", "was", "now", "was_um", "now_um", "thickness_mm", "echo_snr_db")
    return {
        "corpus": part.verdict.corpus,
        "detector": part.verdict.detector,
        "total": len(part.rows),
        "rows": {name: rows[name].tolist() for name in columns},
    }


def _for_template(part: _Part) -> Mapping[str, Any]:
    return {
        "verdict": part.verdict,
        "rows": [row_of(judged) for judged in moved(part.verdict)],
        "flips": flips(part.rows),
        "records": len(part.rows),
        "listed": min(len(part.rows), LISTED),
    }
