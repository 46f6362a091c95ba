"""Choose: a corpus around the set-up, settings searched on `tune`, finalists proven on `prove`."""

import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from echotrial.choose.decide import Duel, duel
from echotrial.choose.feasibility import Feasibility, feasibility
from echotrial.choose.job import Job
from echotrial.choose.recorded import Disagreement, disagreement
from echotrial.choose.search import Found, Where, search
from echotrial.choose.variation import spec_around
from echotrial.corpus.build import build
from echotrial.corpus.store import Corpus
from echotrial.errors import Refused, WrongQuestion
from echotrial.host import Host, LoadedDetector
from echotrial.scores import Limits
from echotrial.trial import Trial, conduct
from echotrial.trial.conduct import Request as TrialRequest

FINALISTS: Final = 3
#: Records of the corpus around a set-up; 5,000 to prove on give trust all its strata.
SIZE: Final = {"prove": 5000, "tune": 1000}
#: Called with what is done, and the share of the whole.
Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Request:
    """What `choose` is asked.

    Attributes
    ----------
    detectors
        Empty = all of the host.
    records
        Of each split, in place of `SIZE`.
    recorded
        Corpora of the user's own recordings, on which the finalists are proven as well.
    """

    job: Job
    folder: Path
    detectors: Sequence[LoadedDetector]
    plugins: tuple[Path, ...] = ()
    entry_points: bool = True
    records: dict[str, int] | None = None
    seed: int = 0
    workers: int = 2
    recorded: tuple[Corpus, ...] = ()


@dataclass(frozen=True)
class Choice:
    """What came of it.

    Attributes
    ----------
    verdict
        Of the trial on `prove`, as JSON data.
    detector
        The chosen one; None = none of these, or too few records to say.
    """

    job: Job
    feasible: Feasibility
    found: tuple[Found, ...]
    finalists: tuple[Found, ...]
    corpus: Corpus
    trial: Trial
    verdict: dict[str, Any]
    duel: Duel | None
    recorded: tuple[dict[str, Any], ...]
    disagreements: tuple[Disagreement, ...] = ()

    @property
    def detector(self) -> str | None:
        """Name of the chosen detector."""
        chosen = self.verdict["answer"] == "trust"
        return str(self.verdict["detector"]) if chosen else None


def choose(host: Host, request: Request, progress: Progress | None = None) -> Choice:
    """Find the detector and settings that can be trusted on a set-up.

    Raises
    ------
    WrongQuestion
        The folder is there already; a set-up for which no records can be made.
    Refused
        No detector read a single record: nothing can be recommended.
    """
    tell = progress or (lambda what, share: None)
    if request.folder.exists():
        raise WrongQuestion(f"{request.folder}: is there already; choose another --out")
    try:
        return _choose(host, request, tell)
    except BaseException:
        shutil.rmtree(request.folder, ignore_errors=True)
        raise


def _choose(host: Host, request: Request, tell: Progress) -> Choice:
    model = host.forward_model
    feasible = feasibility(model, request.job)
    tell("making records", 0.0)
    corpus = build(
        host, spec_around(model, request.job), seed=request.seed, size=request.records or SIZE,
        out=request.folder / "corpus",
    )  # fmt: skip
    found = _searched(request, corpus, feasible, tell)
    finalists = _finalists(found)
    tell("proving the finalists", 0.75)
    trial = _proven(request, [corpus, *request.recorded], finalists)
    verdicts = {c["corpus"]: c["verdict"] for c in trial.verdicts["corpora"]}
    verdict = verdicts[corpus.name]
    own = trial.readings[trial.readings["corpus"] == corpus.name]
    between = duel(own, corpus.truth, verdict, corpus.setup.wall_range)
    others = tuple({"corpus": c.name, **verdicts[c.name]} for c in request.recorded)
    low_high = corpus.setup.wall_range
    apart = tuple(
        disagreement(trial, f.detector, c.name, corpus.name, low_high)
        for c in request.recorded
        for f in finalists
    )
    tell("done", 1.0)
    return Choice(
        request.job, feasible, tuple(found), tuple(finalists), corpus, trial, verdict, between,
        others, apart,
    )  # fmt: skip


def _searched(
    request: Request, corpus: Corpus, feasible: Feasibility, tell: Progress
) -> list[Found]:
    gates = _gates(feasible)
    where = Where(corpus.folder, request.plugins, request.entry_points, gates, Limits())
    done = 0

    def one(found: Found) -> None:
        nonlocal done
        done += 1
        tell(f"searched {found.detector}", 0.1 + 0.65 * done / len(request.detectors))

    return search(request.detectors, where, request.workers, one)


def _gates(feasible: Feasibility) -> tuple[float, ...]:
    """From the interface echo to the end of the tail, where there is an interface echo."""
    if feasible.job.setup.delay_line is None:
        return ()
    after = feasible.tail_end_s - float(feasible.walls[0].echo_s[0])
    return (round(after, 9),) if after > 0 else ()


def _finalists(found: Sequence[Found]) -> list[Found]:
    """The best three of `tune`."""
    judged = [(f.objective, f) for f in found if f.objective is not None]
    reading = [pair for pair in judged if pair[0].hit > 0]
    if not reading:
        lost = "; ".join(f"{f.detector}: {f.lost or 'no hit on tune'}" for f in found)
        raise Refused(f"no detector hit a single wall of `tune`, so none can be chosen: {lost}")
    reading.sort(key=lambda pair: pair[0], reverse=True)
    return [f for _, f in reading[:FINALISTS]]


def _proven(request: Request, corpora: list[Corpus], finalists: Sequence[Found]) -> Trial:
    names = [f.detector for f in finalists]
    running = sorted(
        (d for d in request.detectors if d.name in names), key=lambda d: names.index(d.name)
    )
    settings = {f.detector: dict(f.settings) for f in finalists}
    wanted = TrialRequest(corpora, running, settings, None, request.workers)
    return conduct(wanted, request.folder / "trial")
