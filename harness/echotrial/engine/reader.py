"""Detectors over a corpus: the readings of every record, whatever happens."""

from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from contextlib import closing, nullcontext
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pandas as pd

from echotrial.engine import plan
from echotrial.engine.cache import Shelf, WorkFolder
from echotrial.engine.cluster import Cluster
from echotrial.engine.digest import surroundings
from echotrial.engine.job import DetectorCall, Job, Limits
from echotrial.engine.plan import Rows, Span
from echotrial.engine.pool import Pool, Wanted
from echotrial.engine.slices import Labels, Slice
from echotrial.engine.source import AnyCorpus, distant_source_of, source_of, splits_of
from echotrial.engine.threads import single_threaded
from echotrial.engine.work import Bench
from echotrial.errors import Refused, WrongQuestion, nearest
from echotrial.host import LoadedDetector

Settings = Mapping[str, Mapping[str, Any]]


@dataclass(frozen=True)
class ReadResult:
    """What came of a run over one corpus.

    Attributes
    ----------
    readings
        Columns `columns.READINGS`, ordered by record, then by detector as given.
    seconds_per_record
        Detector -> time in its own calls over records read, compile and failed calls excluded;
        NaN where it read none.
    failures
        Columns detector, status, note, records: every way in which records were lost.
    """

    readings: pd.DataFrame
    seconds_per_record: dict[str, float]
    failures: pd.DataFrame


@dataclass
class Tally:
    """Times and failures, summed as slices come by."""

    names: tuple[str, ...]
    seconds: dict[str, float] = field(default_factory=dict)
    timed: dict[str, int] = field(default_factory=dict)
    lost: dict[tuple[str, str, str], int] = field(default_factory=dict)

    def add(self, part: Slice) -> None:
        """Count one slice."""
        name = self.names[part.detector]
        self.seconds[name] = self.seconds.get(name, 0.0) + part.seconds
        self.timed[name] = self.timed.get(name, 0) + part.timed

    def add_failures(self, frame: pd.DataFrame) -> None:
        """Count the rows of a frame that are not ok."""
        bad = frame.loc[frame["status"] != "ok", ["detector", "status", "note"]].astype("str")
        for key in bad.itertuples(index=False, name=None):
            self.lost[key] = self.lost.get(key, 0) + 1

    def seconds_per_record(self) -> dict[str, float]:
        """Detector -> mean seconds, NaN where no call succeeded."""
        return {
            n: self.seconds[n] / self.timed[n] if self.timed.get(n) else float("nan")
            for n in self.names
        }

    def failures(self) -> pd.DataFrame:
        """One row for each detector, status and note."""
        rows = [(*key, count) for key, count in sorted(self.lost.items())]
        return pd.DataFrame(rows, columns=["detector", "status", "note", "records"])


class Reading:
    """A run over one corpus as an iterator of frames, one a chunk, in the order of the records.

    Memory does not grow with the corpus: only chunks under way are held. `seconds_per_record` and
    `failures` tell of the frames handed out so far. Parameters are those of `read_corpus`, and
    `first`: chunks with records of that split come before the others; `early` is their number.
    """

    def __init__(
        self,
        corpus: AnyCorpus,
        detectors: Sequence[LoadedDetector],
        *,
        settings: Settings | None = None,
        maps: Any = None,
        rows: Rows = None,
        workers: int = 0,
        chunk: int | None = None,
        progress: Callable[[int], None] | None = None,
        limits: Limits | None = None,
        work: WorkFolder | Path | str | None = None,
        cluster: Cluster | str | None = None,
        address: str | None = None,
        first: str | None = None,
    ) -> None:
        chosen = _settings_for(detectors, settings or {})
        self.records = plan.wanted(rows, len(corpus))
        size = plan.chunk_size(chunk, self.records.size, workers)
        calls = tuple(DetectorCall.of(d, chosen.get(d.name, {}), maps) for d in detectors)
        self.job = Job(source_of(corpus), calls, limits or Limits(), size)
        names = tuple(d.name for d in detectors)
        self.labels = Labels(corpus.name, names, splits_of(corpus))
        self._factories = {d.name: d.factory for d in detectors}
        self._workers, self._progress = workers, progress
        self._tally = Tally(names)
        self._work = WorkFolder(work) if isinstance(work, str | Path) else work
        self._cluster = Cluster(cluster) if isinstance(cluster, str) else cluster
        self._distant = replace(self.job, source=distant_source_of(corpus, address))
        self._stamp = self.job.source.stamp()
        self._fingerprint = self.job.source.fingerprint()
        spans = list(plan.chunks(plan.tiles_of(self.records), len(corpus), size))
        ahead = self.labels.splits.get(first or "", slice(0, 0))
        early, late = plan.parted(spans, ahead.start, ahead.stop)
        self.early = len(early)
        self._pool: Pool | None = None
        self._before: Reading | None = None
        self.when_idle: Callable[[], None] = lambda: None
        self._spans = [*early, *plan.tapered(late, workers)]

    def __iter__(self) -> Iterator[pd.DataFrame]:
        with closing(self.begun()) as chunks:
            yield from map(self.frame, chunks)

    def begun(self, after: "Reading | None" = None) -> Generator[list[Slice]]:
        """Give this machine's workers a chunk each and return what `frame` makes the frames of.

        So they read while the caller has something else to do first. Those that are still at work
        for the reading `after` which this one comes are given theirs when they are idle; its
        `when_idle`, which is called when the first of them is, is the time to begin.
        """
        self._before = after
        found = self._slices()
        next(found)
        return found

    def _shelves(self) -> dict[int, Shelf]:
        """Detector number -> where its readings are kept; empty without a work folder."""
        if self._work is None:
            return {}
        base = {
            "corpus": self._fingerprint,
            "setup": self.job.source.setup.digest(),
            **surroundings(),
        }
        calls = enumerate(self.job.calls)
        return {number: self._work.shelf(base | call.about()) for number, call in calls}

    def _slices(self) -> Generator[list[Slice]]:
        """An empty list once workers have begun; then the slices of each chunk, in order.

        They come from the shelves where they are there, else they are computed.
        """
        with self._work or nullcontext():
            shelves, everyone = self._shelves(), range(len(self.job.calls))
            wanted = [
                (span, tuple(d for d in everyone if not (shelves and shelves[d].covers(span))))
                for span in self._spans
            ]
            with closing(self._computed(wanted)) as computed:
                yield next(computed)
                for (span, missing), fresh in zip(wanted, computed, strict=True):
                    self._refuse_a_changed_corpus()
                    found = {part.detector: part for part in fresh}
                    for part in fresh:
                        if shelves and part.final:
                            shelves[part.detector].keep(part)
                    for detector in set(everyone) - set(missing):
                        found[detector] = self._remembered(shelves[detector], detector, span)
                    yield [found[detector] for detector in everyone]

    def _remembered(self, shelf: Shelf, detector: int, span: Span) -> Slice:
        part = shelf.take(detector, span)
        if part is None:  # damaged: make it again
            _, (part,) = self._computed([(span, (detector,))])
            shelf.keep(part)
        return part

    def _computed(self, wanted: Sequence[Wanted]) -> Generator[list[Slice]]:
        """An empty list once this machine's workers have a chunk each; then slices, in order."""
        work = sum(bool(missing) for _, missing in wanted)
        if self._cluster is not None:
            with self._cluster:
                yield []
                yield from self._cluster.read(self._distant, self.job.source, wanted)
        elif self._workers and work:
            before = None if self._before is None else self._before._pool
            with Pool(self.job, min(self._workers, work), lambda: self.when_idle(), before) as pool:
                self._pool, self._before = pool, None
                chunks = pool.read(wanted)
                yield []
                yield from chunks
        else:
            yield []
            bench = Bench(self.job, self._factories)
            for span, missing in wanted:
                with single_threaded():
                    slices = bench.read(span, missing) if missing else []
                yield slices

    def _refuse_a_changed_corpus(self) -> None:
        stamp = self.job.source.stamp()
        if stamp != self._stamp:
            if self.job.source.fingerprint() != self._fingerprint:
                raise Refused(
                    f"corpus {self.labels.corpus}: its waveforms changed during the run; "
                    "restore them, or run again over what is there now"
                )
            self._stamp = stamp

    def frame(self, slices: list[Slice]) -> pd.DataFrame:
        """Readings of a chunk, its failures and times counted."""
        for part in slices:
            self._tally.add(part)
        frame = self.labels.frame(slices, self.records)
        if any(part.status.any() for part in slices):
            self._tally.add_failures(frame)
        if self._progress is not None:
            self._progress(len(frame) // len(slices))
        return frame

    @property
    def seconds_per_record(self) -> dict[str, float]:
        """See `ReadResult`."""
        return self._tally.seconds_per_record()

    @property
    def failures(self) -> pd.DataFrame:
        """See `ReadResult`."""
        return self._tally.failures()


def _settings_for(detectors: Sequence[LoadedDetector], settings: Settings) -> Settings:
    names = [d.name for d in detectors]
    if not names:
        raise WrongQuestion("no detector to run")
    for name in settings:
        if name not in names:
            raise WrongQuestion(
                f"settings for '{name}', which is not to run: {nearest(name, names)}"
            )
    return settings


def read_corpus(
    corpus: AnyCorpus, detectors: Sequence[LoadedDetector], **options: Any
) -> ReadResult:
    """Run detectors over a corpus and hold all readings in memory; see `Reading` for an iterator.

    Parameters
    ----------
    corpus
        An `echotrial.corpus.store.Corpus`, or whatever has ``name, setup, truth, len(), batch``.
    detectors
        As `host.load().chosen()` gives them.
    settings
        Detector name -> its settings; what is left out has its default.
    maps
        Frozen confidence maps, handed to the ``prepare`` of every detector.
    rows
        (start, stop), a slice, or record numbers; None = all.
    workers
        Processes; 0 reads in this one, where a detector that hangs or dies takes it along.
    chunk
        Records a chunk, rounded up to a multiple of `plan.TILE`; changes no reading.
    progress
        Called with the number of records done since the last call.
    limits
        Time and memory that a detector may take.
    work
        Folder in which readings are kept and found again; a run that was ended goes on from it.

    cluster
        ``tcp://host:port`` of a Dask scheduler, ``local:N``, or a `Cluster`; not `workers` then.
    address
        Where the cluster's workers find the corpus folder (a path, or whatever fsspec reads). By
        default a synthetic corpus is made anew by each of them, and another is at the same path.

    Raises
    ------
    WrongQuestion
        Settings that a detector refuses; records that the corpus does not have; a work folder
        where another run is at work or that cannot be written to.
    Refused
        The corpus is damaged, or changed during the run.
    NotToBeHad
        No cluster; a full disk; workers that do not start; what was read so far is kept.
    """
    run = Reading(corpus, detectors, **options)
    frames = list(run)
    readings = pd.concat(frames, ignore_index=True) if frames else run.labels.empty()
    return ReadResult(readings, run.seconds_per_record, run.failures)
