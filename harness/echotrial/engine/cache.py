"""Readings kept on disk, part by part, so that what is known is not computed again.

A work folder holds ``lock`` and, for each key (see `echotrial.engine.digest`), a folder with
``about.json``, what the key stands for, and parts named by the records they cover. A part appears
whole or not at all; one that cannot be read counts as absent.
"""

import fcntl
import json
import os
import socket
from bisect import bisect_right
from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Self

import numpy as np
import pyarrow as pa

from echotrial.engine.digest import key_of
from echotrial.engine.plan import Span
from echotrial.engine.slices import VALUES, Slice, joined
from echotrial.errors import NotToBeHad, WrongQuestion
from echotrial.files import new_file, write_text


class WorkFolder:
    """A folder of parts, locked for this run; use as a context manager (again, if need be).

    Raises
    ------
    WrongQuestion
        Another run is at work in it, or it cannot be written to.
    """

    def __init__(self, path: Path | str) -> None:
        self.path = Path(path)
        self._lock: IO[str] | None = None
        self._depth = 0

    def __enter__(self) -> Self:
        if self._depth == 0:
            self._take()
        self._depth += 1
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._depth -= 1
        if self._depth == 0 and self._lock is not None:
            self._lock.close()
            self._lock = None

    def _take(self) -> None:
        try:
            self.path.mkdir(parents=True, exist_ok=True)
            lock = (self.path / "lock").open("a+", encoding="utf-8")
        except OSError as error:
            raise WrongQuestion(
                f"{self.path}: cannot be written to ({error.strerror}); choose another folder"
            ) from None
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            lock.seek(0)
            owner = lock.read().strip() or "unknown"
            lock.close()
            raise WrongQuestion(
                f"{self.path}: another run is at work here ({owner}); "
                "wait for its end or choose another folder"
            ) from None
        lock.truncate(0)
        lock.write(f"process {os.getpid()} on {socket.gethostname()}")
        lock.flush()
        self._lock = lock
        for left_over in self.path.glob("*/.*.part"):  # of a run that was killed while it wrote
            left_over.unlink(missing_ok=True)

    def shelf(self, about: Mapping[str, Any]) -> "Shelf":
        """The place of readings that depend on `about`, and on nothing else."""
        folder = self.path / key_of(dict(about))[:32]
        try:
            folder.mkdir(exist_ok=True)
            if not (folder / "about.json").is_file():
                write_text(folder / "about.json", json.dumps(about, indent=1, sort_keys=True))
        except OSError as error:
            raise _not_written(self.path, error) from None
        return Shelf(folder)


class Shelf:
    """Parts of one detector's readings of one corpus."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        spans = (_span(path) for path in folder.glob("*.arrow"))
        self._spans = sorted((s for s in spans if s), key=lambda s: (s.start, s.stop))

    def covers(self, span: Span) -> bool:
        """Whether all these records are there; reads names only."""
        return self._cover(span) is not None

    def take(self, detector: int, span: Span) -> Slice | None:
        """The readings of `span`, numbered as of `detector`; None where one is not there."""
        cover = self._cover(span)
        if cover is None:
            return None
        parts = [self._read(detector, part) for part in cover]
        whole = [p.cut(span) for p in parts if p is not None]
        return joined(whole) if len(whole) == len(parts) else None

    def keep(self, part: Slice) -> None:
        """Write a part."""
        name = f"{part.span.start}-{part.span.stop}.arrow"
        try:
            with new_file(self._folder / name) as file:
                file.write_bytes(_bytes(part))
        except OSError as error:
            raise _not_written(self._folder.parent, error) from None

    def _cover(self, span: Span) -> list[Span] | None:
        """Parts whose pieces make up `span`, in order."""
        found, at = [], span.start
        while at < span.stop:
            last = bisect_right(self._spans, at, key=lambda s: s.start)
            reaching = [s for s in self._spans[:last][-8:] if s.stop > at]
            if not reaching:
                return None
            best = max(reaching, key=lambda s: s.stop)
            found.append(Span(best.start, best.stop))
            at = best.stop
        return found

    def _read(self, detector: int, span: Span) -> Slice | None:
        try:
            data = (self._folder / f"{span.start}-{span.stop}.arrow").read_bytes()
            return _slice(detector, span, pa.ipc.open_file(data).read_all())
        except (OSError, pa.ArrowException, KeyError, ValueError):
            self._spans.remove(span)
            return None


def _not_written(folder: Path, error: OSError) -> NotToBeHad:
    return NotToBeHad(
        f"{folder}: readings cannot be written ({error.strerror or error}); those that are there "
        "are whole: make room or give permission, and run the same command again"
    )


def _span(path: Path) -> Span | None:
    start, _, stop = path.stem.partition("-")
    return Span(int(start), int(stop)) if start.isdigit() and stop.isdigit() else None


def _bytes(part: Slice) -> bytes:
    table = pa.table(
        {
            **dict(zip(VALUES, part.numbers, strict=True)),
            "reason": part.reason,
            "status": part.status,
        }
    )
    notes = {str(row): note for row, note in part.notes.items()}
    extra = {"notes": notes, "seconds": part.seconds, "timed": part.timed}
    table = table.replace_schema_metadata({"echotrial": json.dumps(extra)})
    sink = pa.BufferOutputStream()
    with pa.ipc.new_file(sink, table.schema) as writer:
        writer.write_table(table)
    found: bytes = sink.getvalue().to_pybytes()
    return found


def _slice(detector: int, span: Span, table: Any) -> Slice:
    extra = json.loads(table.schema.metadata[b"echotrial"])
    if len(table) != len(span):
        raise ValueError(f"{len(table)} rows for {len(span)} records")
    return Slice(
        detector,
        span,
        np.stack([table[name].to_numpy() for name in VALUES]),
        table["reason"].to_numpy(),
        table["status"].to_numpy(),
        {int(row): note for row, note in extra["notes"].items()},
        extra["seconds"],
        extra["timed"],
    )
