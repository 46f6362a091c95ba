"""Conducts a trial: corpora through detectors, to outcomes, to scores, to a folder."""

import platform
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import asdict
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from echotrial import __version__
from echotrial.corpus.store import Corpus
from echotrial.engine import WorkFolder
from echotrial.engine.cluster import Cluster
from echotrial.errors import WrongQuestion, nearest
from echotrial.host import LoadedDetector
from echotrial.strict import read_toml
from echotrial.trial.examine import Examination, Examined, Gathered, Progress
from echotrial.trial.folder import AT_HAND, TRIAL, Trial, open_trial, write_info
from echotrial.trial.request import Request, Settings
from echotrial.trial.scorefiles import ScoreFiles
from echotrial.trial.tables import Tables

__all__ = ["Progress", "Request", "conduct"]

#: Called with a trial of one corpus, its tables at hand, and what was scored there.
Scored = Callable[[Trial, dict[str, Any]], None]
#: Readings of a trial under way, inside its folder.
PARTS = "parts"


def conduct(
    request: Request,
    folder: Path,
    progress: Progress | None = None,
    meanwhile: Callable[[], object] | None = None,
    scored: Scored | None = None,
) -> Trial:
    """Run a trial into a new folder, or go on with one that was stopped there, and open it.

    Readings are kept part by part in a work folder until the trial is complete, so a trial that
    was stopped at any moment computes only what is missing. `meanwhile` is called once, when
    workers have begun: whatever else has to be done costs nothing then. So does what `scored` does
    for each corpus, while the next one is read; a large trial, of more than `AT_HAND` records in a
    corpus, is not told of, for its tables would have to be held.

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
        ScoreFiles(folder, folder / PARTS) as files,
    ):
        examined, scored = [], None if _is_large(info) else scored
        for gathered in _gathered(
            request, work, cluster, tables, progress, meanwhile, bool(scored)
        ):
            document = gathered.score(files)
            examined.append(gathered.examined)
            if scored is not None:
                scored(_of_one(folder, info, gathered), document)
            del gathered, document  # not to be held beside the next one's
    write_info(folder, {**info, "finished": _now(), **_what_was_found(examined), "complete": True})
    shutil.rmtree(folder / PARTS, ignore_errors=True)
    return open_trial(folder)


def _gathered(
    request: Request,
    work: WorkFolder,
    cluster: Cluster | None,
    tables: Tables,
    progress: Progress | None,
    meanwhile: Callable[[], object] | None,
    keep: bool,
) -> Iterator[Gathered]:
    """One corpus after the other.

    A worker that has nothing left to read of one is at the next one; what is left to do of the one,
    its last outcomes and its scores, is done while workers read.
    """
    coming = (Examination(c, request, work, cluster, progress) for c in request.corpora)
    first = next(coming)
    now: Examination | None = first
    then: Examination | None = None
    try:
        first.begin()
        if meanwhile is not None:
            meanwhile()
        while now is not None:
            then = next(coming, None)
            gathered = [now.gather(tables, then, keep)]
            now.close()
            yield gathered.pop()  # and do not hold what it was made of
            now, then = then, None
    finally:
        for examination in filter(None, (now, then)):
            examination.close()


def _is_large(info: Mapping[str, Any]) -> bool:
    return any(c["prove"] + c["tune"] > AT_HAND for c in info["corpora"])


def _of_one(folder: Path, info: Mapping[str, Any], gathered: Gathered) -> Trial:
    """The trial as it will be, as far as one corpus goes."""
    found = {**info, **_what_was_found([gathered.examined]), "complete": True}
    trial = Trial(folder, found, corpus=gathered.examined.corpus.name)
    return trial.holding(*gathered.tables())


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
