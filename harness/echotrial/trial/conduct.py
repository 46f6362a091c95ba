"""Conducts a trial: corpora through detectors, to outcomes, to scores, to a folder."""

import platform
import shutil
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from itertools import chain, islice
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa

from echotrial import __version__
from echotrial.corpus.store import Corpus
from echotrial.engine import Limits, Reading, WorkFolder
from echotrial.engine.cluster import Cluster
from echotrial.errors import WrongQuestion, nearest
from echotrial.hooks import Measure
from echotrial.host import LoadedDetector
from echotrial.outcome import NO_OFFSETS, MarkOffsets, classify, offsets_of
from echotrial.scores import CorpusScores, Gathering, joined, score_panels
from echotrial.strict import read_toml
from echotrial.trial.folder import TRIAL, Trial, open_trial, write_info, write_scores
from echotrial.trial.tables import Tables

#: Readings of a trial under way, inside its folder.
PARTS = "parts"
#: Rows that outcomes are found for at once.
_BLOCK = 20_000
Settings = Mapping[str, Mapping[str, Any]]
#: Called with the corpus, the records done since the last call and the number wanted in all.
Progress = Callable[[str, int, int], None]


@dataclass(frozen=True)
class Request:
    """What a trial is asked to do.

    Attributes
    ----------
    corpora
        Opened; their names differ.
    detectors
        As `host.load().chosen()` gives them.
    settings
        Detector name -> settings other than the defaults.
    records
        Only the first so many records of each split; None = all.
    workers
        Processes; 0 reads in this one.
    limits
        Time and memory that a detector may take.
    measures
        Extra scores, by name.
    work
        Where readings are kept meanwhile; one shared by several trials saves what they share.
        None: a folder inside the trial's, which goes when it is complete.
    cluster
        Address of a Dask cluster, or ``local:N``; None reads on this machine.
    """

    corpora: Sequence[Corpus]
    detectors: Sequence[LoadedDetector]
    settings: Settings
    records: int | None = None
    workers: int = 0
    limits: Limits | None = None
    measures: Mapping[str, Measure] | None = None
    work: Path | None = None
    cluster: str | None = None


@dataclass(frozen=True)
class Examined:
    """What came of one corpus; its readings are in the tables."""

    corpus: Corpus
    seconds_per_record: dict[str, float]
    failures: pd.DataFrame
    offsets: Mapping[str, MarkOffsets]
    scores: CorpusScores


def conduct(request: Request, folder: Path, progress: Progress | None = None) -> Trial:
    """Run a trial into a new folder, or go on with one that was stopped there, and open it.

    Readings are kept part by part in a work folder until the trial is complete, so a trial that
    was stopped at any moment computes only what is missing.

    Raises
    ------
    WrongQuestion
        Nothing to run, two corpora of one name, settings that a detector refuses, a folder that
        is there already with something else in it, or another run at work in it.
    Refused
        A damaged corpus.
    NotToBeHad
        A cluster that does not answer.
    """
    _check(request)
    for corpus in request.corpora:
        corpus.verify()
    runs = {"echotrial": __version__, **_what_runs(request)}
    info = {"started": _now(), **runs}
    _begin(folder, info, runs)
    with (
        WorkFolder(request.work or folder / PARTS) as work,
        _cluster(request) as cluster,
        Tables(folder, folder / PARTS, request.corpora) as tables,
    ):
        examined = [_examine(c, request, work, cluster, tables, progress) for c in request.corpora]
    write_scores(
        folder,
        pd.concat([e.scores.table for e in examined], ignore_index=True),
        {"schema": "echotrial.trial/1", "corpora": [e.scores.to_json() for e in examined]},
    )
    write_info(folder, {**info, "finished": _now(), **_what_was_found(examined), "complete": True})
    shutil.rmtree(folder / PARTS, ignore_errors=True)
    return open_trial(folder)


def _begin(folder: Path, info: Mapping[str, Any], runs: Mapping[str, Any]) -> None:
    """Make the folder, or see that the trial stopped in it is the same one."""
    if (folder / TRIAL).is_file():
        before = read_toml(folder / TRIAL)
        if before.get("complete"):
            raise WrongQuestion(f"{folder}: holds a complete trial; choose another with --out")
        if {key: before.get(key) for key in runs} != runs:
            raise WrongQuestion(
                f"{folder}: a trial of other things was stopped here; choose another with --out"
            )
    elif folder.exists() and any(folder.iterdir()):
        raise WrongQuestion(f"{folder}: is there already; choose another folder with --out")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        write_info(folder, {**info, "complete": False})
    except OSError as error:
        raise WrongQuestion(
            f"{folder}: cannot be written to ({error.strerror}); choose another with --out"
        ) from None


def _cluster(request: Request) -> AbstractContextManager[Cluster | None]:
    return nullcontext() if request.cluster is None else Cluster(request.cluster)


def _check(request: Request) -> None:
    if not request.detectors:
        raise WrongQuestion("no detector to run: see `echotrial detector list`")
    if not request.corpora:
        raise WrongQuestion("no corpus to run on: see `echotrial corpus list`")
    names = [corpus.name for corpus in request.corpora]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise WrongQuestion(f"two corpora are named {twice[0]!r}: leave one out, or rename it")
    running = [d.name for d in request.detectors]
    for name in request.settings:
        if name not in running:
            raise WrongQuestion(
                f"settings for '{name}', which does not run: {nearest(name, running)}"
            )


def _examine(
    corpus: Corpus,
    request: Request,
    work: WorkFolder,
    cluster: Cluster | None,
    tables: Tables,
    progress: Progress | None,
) -> Examined:
    """Read block by block; memory grows by what scores need of each record.

    Chunks of `tune` come first, for all outcomes depend on the mark offsets found there. They are
    held until the others are through, so that tables are in the order of the records.
    """
    rows = _rows(corpus, request.records)
    reading = Reading(
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
    names = [d.name for d in request.detectors]
    clustered, counts = corpus.origin != "synthetic", _counts(corpus, rows)
    gathering = Gathering(corpus.name, corpus.setup, names, counts, clustered=clustered)
    frames = iter(reading)
    early = list(islice(frames, reading.early))
    offsets = _offsets(corpus, early, names)
    scored = []
    for block in _blocks(chain(frames, early)):
        truth = _truth_of(corpus, block)
        known = truth.to_pandas(use_threads=False)
        outcomes = classify(block, known, corpus.setup, offsets)
        gathering.add(block, outcomes, known)
        tables.add(corpus.name, pd.concat([block, outcomes], axis=1), truth)
        if request.measures:  # those of plugins are handed all that there is
            scored.append(joined(block, outcomes, known))

    def own(detector: str) -> pd.DataFrame:
        everything = pd.concat(scored, ignore_index=True)
        mine = (everything["detector"] == detector) & (everything["split"] == "prove")
        return everything[mine]

    scores = score_panels(
        gathering.panel("prove"),
        gathering.panel("tune"),
        origin=corpus.origin,
        measures=request.measures,
        own=own,
        seconds=reading.seconds_per_record,
    )
    return Examined(corpus, reading.seconds_per_record, reading.failures, offsets, scores)


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
    """Frames put together until they are worth the cost of a call."""
    held: list[pd.DataFrame] = []
    for frame in frames:
        held += [frame] if len(frame) else []
        if sum(map(len, held)) >= _BLOCK:
            yield pd.concat(held, ignore_index=True)
            held = []
    if held:
        yield pd.concat(held, ignore_index=True)


def _counts(corpus: Corpus, rows: np.ndarray[Any, np.dtype[np.intp]]) -> dict[str, int]:
    prove = corpus.rows("prove").stop
    return {"prove": int((rows < prove).sum()), "tune": int((rows >= prove).sum())}


def _rows(corpus: Corpus, records: int | None) -> np.ndarray[Any, np.dtype[np.intp]]:
    """The first `records` of each split, or all of them."""
    number = np.arange(len(corpus))
    return np.concatenate([number[corpus.rows(s)][:records] for s in ("prove", "tune")])


def _what_runs(request: Request) -> dict[str, Any]:
    return {
        "machine": _machine(),
        "corpora": [_corpus_info(corpus, request.records) for corpus in request.corpora],
        "detectors": [
            {
                "name": d.name,
                "version": d.version,
                "plugin": d.plugin,
                "source_digest": d.source_digest,
                "settings": _settings_of(d, request.settings),
            }
            for d in request.detectors
        ],
    }


def _corpus_info(corpus: Corpus, records: int | None) -> dict[str, Any]:
    counts, made = corpus.manifest.records, corpus.manifest.synthetic
    return {
        "name": corpus.name,
        "identity": corpus.identity,
        "origin": corpus.origin,
        "folder": corpus.address or str(corpus.folder.resolve()),
        "prove": min(counts.prove, records or counts.prove),
        "tune": min(counts.tune, records or counts.tune),
        **({} if made is None else {"seed": made.seed, "generator": made.generator}),
        "setup": corpus.setup.table(),
        "setup_digest": corpus.setup.digest(),
    }


def _settings_of(detector: LoadedDetector, settings: Settings) -> dict[str, Any]:
    """All settings, defaults included; TOML has no null, so an unset one is left out."""
    chosen = detector.settings(settings.get(detector.name, {}))
    return chosen.model_dump(mode="json", exclude_none=True)


def _what_was_found(examined: Sequence[Examined]) -> dict[str, Any]:
    return {
        "mark_offsets": [
            {"corpus": e.corpus.name, "detector": name, **asdict(offsets)}
            for e in examined
            for name, offsets in e.offsets.items()
        ],
        "seconds_per_record": [
            {"corpus": e.corpus.name, "detector": name, "seconds": seconds}
            for e in examined
            for name, seconds in e.seconds_per_record.items()
        ],
        "lost": [
            {"corpus": e.corpus.name, **row}
            for e in examined
            for row in e.failures.to_dict("records")
        ],
    }


def _machine() -> dict[str, Any]:
    packages = ("numpy", "scipy", "numba", "pandas")
    return {
        "python": platform.python_version(),
        "platform": platform.platform(),
        "processor": platform.machine(),
        **{name: version(name) for name in packages},
    }


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
