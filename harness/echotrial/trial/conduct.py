"""Conducts a trial: corpora through detectors, to outcomes, to scores, to a folder."""

import platform
import shutil
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from echotrial import __version__
from echotrial.corpus.store import Corpus
from echotrial.engine import Limits, ReadResult, WorkFolder, read_corpus
from echotrial.engine.cluster import Cluster
from echotrial.errors import WrongQuestion, nearest
from echotrial.hooks import Measure
from echotrial.host import LoadedDetector
from echotrial.outcome import MarkOffsets, judge
from echotrial.scores import CorpusScores, joined, score
from echotrial.strict import read_toml
from echotrial.trial.folder import TRIAL, Trial, open_trial, write_info, write_tables

#: Readings of a trial under way, inside its folder.
PARTS = "parts"
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
    """What came of one corpus."""

    corpus: Corpus
    result: ReadResult
    outcomes: pd.DataFrame
    offsets: dict[str, MarkOffsets]
    records: pd.DataFrame
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
    with WorkFolder(request.work or folder / PARTS) as work, _cluster(request) as cluster:
        examined = [_examine(c, request, work, cluster, progress) for c in request.corpora]
    write_tables(
        folder,
        pd.concat([pd.concat([e.result.readings, e.outcomes], axis=1) for e in examined]),
        pd.concat([e.records for e in examined], ignore_index=True),
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
    progress: Progress | None,
) -> Examined:
    rows = _rows(corpus, request.records)
    result = read_corpus(
        corpus,
        request.detectors,
        settings=request.settings,
        rows=rows,
        workers=request.workers,
        limits=request.limits,
        work=work,
        cluster=cluster,
        progress=None if progress is None else lambda n: progress(corpus.name, n, len(rows)),
    )
    records = corpus.truth.iloc[rows].reset_index(drop=True)
    outcomes, offsets = judge(result.readings, records, corpus.setup)
    scored = joined(result.readings, outcomes, records)
    scores = score(
        scored,
        corpus.setup,
        origin=corpus.origin,
        measures=request.measures,
        seconds=result.seconds_per_record,
    )
    records.insert(0, "corpus", corpus.name)
    return Examined(corpus, result, outcomes, offsets, records, scores)


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
        "folder": str(corpus.folder.resolve()),
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
            for name, seconds in e.result.seconds_per_record.items()
        ],
        "lost": [
            {"corpus": e.corpus.name, **row}
            for e in examined
            for row in e.result.failures.to_dict("records")
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
