"""Slices: what one detector said of a run of records, as arrays; and frames made of them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from echotrial.ascan import Reason
from echotrial.columns import READINGS
from echotrial.engine.plan import Span

#: Field of `Readings` -> its column and the factor from SI.
VALUES: Final[dict[str, tuple[str, float]]] = {
    "thickness_m": ("thickness_mm", 1e3),
    "first_echo_s": ("first_echo_us", 1e6),
    "second_echo_s": ("second_echo_us", 1e6),
    "spans": ("spans", 1.0),
    "gate_start_s": ("gate_start_us", 1e6),
    "gate_end_s": ("gate_end_us", 1e6),
    "confidence": ("confidence", 1.0),
}


class Status(IntEnum):
    """Whether a detector did its work on a record; all but OK carry a note."""

    OK = 0
    CRASHED = 1
    TIMED_OUT = 2
    INVALID = 3
    NOT_APPLICABLE = 4

    @property
    def words(self) -> str:
        """The status as it stands in tables."""
        return self.name.lower().replace("_", " ")


@dataclass(eq=False)
class Slice:
    """Readings of the records `span` by detector number `detector` of the run.

    Attributes
    ----------
    numbers
        float64 (7, n): the fields of `VALUES`, SI.
    reason, status
        int8 (n,): `Reason` and `Status`.
    notes
        Row -> what went wrong, for every row whose status is not OK.
    seconds, timed
        Time in the detector, and for how many records; failed calls are left out.
    final
        False where the records were given up rather than tried: not to be remembered.
    """

    detector: int
    span: Span
    numbers: NDArray[np.float64]
    reason: NDArray[np.int8]
    status: NDArray[np.int8]
    notes: dict[int, str] = field(default_factory=dict)
    seconds: float = 0.0
    timed: int = 0
    final: bool = True

    @classmethod
    def failed(
        cls, detector: int, span: Span, status: Status, note: str, *, final: bool = True
    ) -> "Slice":
        """A slice in which every record has the same failure."""
        reason = Reason.NOT_APPLICABLE if status is Status.NOT_APPLICABLE else Reason.FAULT
        n = len(span)
        return cls(
            detector,
            span,
            np.full((len(VALUES), n), np.nan),
            np.full(n, reason, dtype=np.int8),
            np.full(n, status, dtype=np.int8),
            dict.fromkeys(range(n), note),
            final=final,
        )

    def cut(self, span: Span) -> "Slice":
        """The rows that lie in `span`; times go with them in proportion."""
        first = max(span.start, self.span.start) - self.span.start
        last = min(span.stop, self.span.stop) - self.span.start
        if (first, last) == (0, len(self.span)):
            return self
        share = (last - first) / len(self.span)
        return Slice(
            self.detector,
            Span(self.span.start + first, self.span.start + last),
            self.numbers[:, first:last],
            self.reason[first:last],
            self.status[first:last],
            {row - first: note for row, note in self.notes.items() if first <= row < last},
            self.seconds * share,
            round(self.timed * share),
            self.final,
        )


def joined(parts: Sequence[Slice]) -> Slice:
    """One slice from neighbouring ones of the same detector, whatever their order."""
    parts = sorted(parts, key=lambda p: p.span.start)
    if len(parts) == 1:
        return parts[0]
    first = parts[0].span.start
    return Slice(
        parts[0].detector,
        Span(first, parts[-1].span.stop),
        np.concatenate([p.numbers for p in parts], axis=1),
        np.concatenate([p.reason for p in parts]),
        np.concatenate([p.status for p in parts]),
        {row + p.span.start - first: note for p in parts for row, note in p.notes.items()},
        sum(p.seconds for p in parts),
        sum(p.timed for p in parts),
        all(p.final for p in parts),
    )


@dataclass(frozen=True)
class Labels:
    """What turns numbers into names in a frame of one corpus."""

    corpus: str
    detectors: tuple[str, ...]
    splits: Mapping[str, slice]

    def frame(self, slices: Sequence[Slice], keep: NDArray[np.intp] | None = None) -> pd.DataFrame:
        """Columns `READINGS` of slices of one span, one a detector: by record, then detector.

        `keep` names the records (ascending) that are wanted; None takes all.
        """
        span, k = slices[0].span, len(slices)
        records = np.arange(span.start, span.stop)
        rows = slice(None) if keep is None else np.isin(records, keep)

        def woven(arrays: list[NDArray[Any]]) -> NDArray[Any]:
            return np.stack([a[rows] for a in arrays], axis=1).ravel()

        kept = records[rows]
        found: dict[str, Any] = {
            "corpus": _coded(np.zeros(kept.size * k, np.int8), [self.corpus]),
            "record": np.repeat(kept, k),
            "split": _coded(np.repeat(self._split(kept), k), tuple(self.splits)),
            "detector": _coded(np.tile([s.detector for s in slices], kept.size), self.detectors),
            "reason": _coded(woven([s.reason for s in slices]), _REASONS),
            "status": _coded(woven([s.status for s in slices]), [s.words for s in Status]),
            "note": _notes(slices, rows),
        }
        for at, (column_name, factor) in enumerate(VALUES.values()):
            found[column_name] = woven([s.numbers[at] for s in slices]) * factor
        return pd.DataFrame({name: found[name] for name in READINGS})

    def empty(self) -> pd.DataFrame:
        """A frame without rows."""
        return self.frame([Slice.failed(0, Span(0, 0), Status.OK, "")])

    def _split(self, records: NDArray[np.intp]) -> NDArray[np.int8]:
        codes = np.full(records.size, -1, dtype=np.int8)
        for code, rows in enumerate(self.splits.values()):
            codes[(records >= rows.start) & (records < rows.stop)] = code
        return codes


def _notes(slices: Sequence[Slice], rows: Any) -> Any:
    """Notes of these rows, by record, then detector; mostly there are none."""
    if not any(part.notes for part in slices):
        wanted = np.zeros(len(slices[0].span), np.intp)[rows]
        return pd.array([""], dtype="str").take(np.repeat(wanted, len(slices)))
    notes = np.full((len(slices[0].span), len(slices)), "", dtype=object)
    for column, part in enumerate(slices):
        for row, note in part.notes.items():
            notes[row, column] = note
    return pd.array(notes[rows].ravel(), dtype="str")


_REASONS = ["" if r is Reason.READ else r.words for r in Reason]


def _coded(codes: NDArray[Any], names: Sequence[str]) -> Any:
    kind = pd.CategoricalDtype(list(names))
    found: Any = pd.Categorical.from_codes(codes.astype(np.int8), dtype=kind)
    return found
