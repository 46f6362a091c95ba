"""One corpus of a trial: readings to outcomes, to tables, to scores."""

from collections.abc import Callable, Generator, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import chain, islice
from typing import TYPE_CHECKING, Any

import numpy as np
import orjson
import pandas as pd
import pyarrow as pa

from echotrial import scores
from echotrial.corpus.store import Corpus
from echotrial.engine import Reading, WorkFolder
from echotrial.engine.cluster import Cluster
from echotrial.engine.slices import Slice
from echotrial.hooks import Measure
from echotrial.memory import give_back
from echotrial.outcome import NO_OFFSETS, MarkOffsets, classify, offsets_of
from echotrial.trial.request import Request
from echotrial.trial.scorefiles import ScoreFiles
from echotrial.trial.tables import Tables

if TYPE_CHECKING:
    from echotrial.scores import Gathering

#: Rows that outcomes are found for at once.
_BLOCK = 20_000
#: Called with the corpus, the records done since the last call and the number wanted in all.
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Examined:
    """What came of one corpus; its readings are in the tables, its scores in their files."""

    corpus: Corpus
    seconds_per_record: dict[str, float]
    failures: pd.DataFrame
    offsets: Mapping[str, MarkOffsets]


class Examination:
    """A corpus on its way through a trial: begun, so that workers read, then gathered."""

    def __init__(
        self,
        corpus: Corpus,
        request: Request,
        work: WorkFolder,
        cluster: Cluster | None,
        progress: Progress | None,
    ) -> None:
        self._corpus, self._request = corpus, request
        self._rows = rows = _rows(corpus, request.records)
        self._reading = Reading(
            corpus,
            request.detectors,
            settings=request.settings,
            rows=rows,
            workers=request.workers,
            limits=request.limits,
            work=work,
            cluster=cluster,
            progress=None if progress is None else lambda n: progress(corpus.name, n, len(rows)),
            first="tune",
        )
        self._chunks: Generator[list[Slice]] | None = None

    def begin(self, after: "Examination | None" = None) -> None:
        """Give workers a chunk each, once; those of the corpus before as soon as they are idle."""
        if self._chunks is None:
            self._chunks = self._reading.begun(None if after is None else after._reading)

    def close(self) -> None:
        """Let its workers go, if it was given up."""
        if self._chunks is not None:
            self._chunks.close()

    def gather(
        self, tables: Tables, then: "Examination | None" = None, keep: bool = False
    ) -> "Gathered":
        """Read block by block; memory grows by what scores need of each record, and `keep`.

        `then` is begun as soon as a worker has nothing left to read here. With `keep` the tables'
        rows are kept for whoever wants to show them.

        Chunks of `tune` come first, for all outcomes depend on the mark offsets found there. They
        are held until the others are through, so that tables are in the order of the records.
        """
        assert self._chunks is not None  # begun
        begin = _nothing if then is None else partial(then.begin, self)
        self._reading.when_idle = begin
        corpus, names = self._corpus, [d.name for d in self._request.detectors]
        clustered, counts = corpus.origin != "synthetic", _counts(corpus, self._rows)
        gathering = scores.Gathering(corpus.name, corpus.setup, names, counts, clustered=clustered)
        scored, kept = list[pd.DataFrame](), list[tuple[pa.Table, pa.Table]]()
        frames = map(self._reading.frame, self._chunks)
        early = list(islice(frames, self._reading.early))
        offsets = _offsets(corpus, early, names)
        for block in _blocks(chain(frames, _nothing_but(begin), early)):
            truth = _truth_of(corpus, block)
            known = truth.to_pandas(use_threads=False)
            outcomes = classify(block, known, corpus.setup, offsets)
            gathering.add(block, outcomes, known)
            added = tables.add(corpus.name, pd.concat([block, outcomes], axis=1), truth)
            if keep:
                kept.append(added)
            if self._request.measures:  # those of plugins are handed all that there is
                scored.append(scores.joined(block, outcomes, known))
        seconds = self._reading.seconds_per_record
        found = Examined(corpus, seconds, self._reading.failures, offsets)
        return Gathered(found, gathering, scored, self._request.measures, kept)


@dataclass
class Gathered:
    """A corpus of which everything was read; its readings are in the tables."""

    examined: Examined
    gathering: "Gathering"
    scored: list[pd.DataFrame]
    measures: Mapping[str, Measure] | None
    kept: list[tuple[pa.Table, pa.Table]]

    def tables(self) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Readings and records that were kept, once, as the trial's folder will give those."""
        kept, self.kept = zip(*self.kept, strict=True), []
        readings, records = (pa.concat_tables(of_one).unify_dictionaries() for of_one in kept)
        return readings.to_pandas(use_threads=False), records.to_pandas(use_threads=False)

    def score(self, files: ScoreFiles) -> dict[str, Any]:
        """Write its scores, and give them as JSON data; what they were made of is let go of."""
        corpus = self.examined.corpus
        give_back()
        found = scores.score_panels(  # panels without a name, which would hold what is let go of
            self.gathering.panel("prove"),
            self.gathering.panel("tune"),
            origin=corpus.origin,
            measures=self.measures,
            own=self._own,
            seconds=self.examined.seconds_per_record,
        )
        document = found.to_json()
        files.add(found.table, orjson.dumps(document, option=orjson.OPT_SERIALIZE_NUMPY))
        corpus.release()
        del found
        give_back()
        return document

    def _own(self, detector: str) -> pd.DataFrame:
        everything = pd.concat(self.scored, ignore_index=True)
        mine = (everything["detector"] == detector) & (everything["split"] == "prove")
        return everything[mine]


def _nothing() -> None:
    """There is no other corpus to begin with."""


def _nothing_but(call: Callable[[], None]) -> Iterator[pd.DataFrame]:
    """No frame: something to be done between two of them."""
    call()
    yield from ()


def _offsets(
    corpus: Corpus, early: Sequence[pd.DataFrame], detectors: Sequence[str]
) -> dict[str, MarkOffsets]:
    """Mark offsets of each detector by its readings of `tune`."""
    none = dict.fromkeys(detectors, NO_OFFSETS)
    frames = [frame[frame["split"] == "tune"] for frame in early]
    if not sum(map(len, frames)):
        return none
    tune = pd.concat(frames, ignore_index=True)
    return none | offsets_of(tune, _truth_of(corpus, tune).to_pandas(), corpus.setup)


def _truth_of(corpus: Corpus, readings: pd.DataFrame) -> pa.Table:
    """Truth of the records of some readings, one row each, in their order."""
    record = readings["record"].unique()
    runs = np.split(record, np.flatnonzero(np.diff(record) != 1) + 1)
    return pa.concat_tables([corpus.truth_rows(int(r[0]), int(r[-1]) + 1) for r in runs])


def _blocks(frames: Iterable[pd.DataFrame]) -> Iterator[pd.DataFrame]:
    """Frames put together until they are worth the cost of a call.

    A block is handed on when the next frame has come, or there is none: then workers are at the
    next corpus before anything else is done.
    """
    held: list[pd.DataFrame] = []
    for frame in frames:
        if sum(map(len, held)) >= _BLOCK:
            yield pd.concat(held, ignore_index=True)
            held = []
        held += [frame] if len(frame) else []
    if held:
        yield pd.concat(held, ignore_index=True)


def _counts(corpus: Corpus, rows: np.ndarray[Any, np.dtype[np.intp]]) -> dict[str, int]:
    prove = corpus.rows("prove").stop
    return {"prove": int((rows < prove).sum()), "tune": int((rows >= prove).sum())}


def _rows(corpus: Corpus, records: int | None) -> np.ndarray[Any, np.dtype[np.intp]]:
    """The first `records` of each split, or all of them."""
    number = np.arange(len(corpus))
    return np.concatenate([number[corpus.rows(s)][:records] for s in ("prove", "tune")])
