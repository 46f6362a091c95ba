"""Choose: records around the set-up, settings searched on `tune`, finalists proven on `prove`."""

import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

from echotrial.choose.crew import Crew, Where
from echotrial.choose.decide import Duel, duel
from echotrial.choose.feasibility import Feasibility, feasibility, refuse_impossible
from echotrial.choose.height import Heights, heights
from echotrial.choose.job import Job
from echotrial.choose.recorded import Disagreement, disagreement
from echotrial.choose.search import Found, search
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
#: Seconds that search and screen heights may take unless told otherwise; the detectors' first
#: readings (compiled where they are not yet), making records and proving come on top.
SEARCH_S: Final = 120.0
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
    search_s
        Seconds that the search may take; what is not tried by then is named.
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
    search_s: float = SEARCH_S


@dataclass(frozen=True)
class Choice:
    """What came of it: see `Nothing` for a search in which no detector hit a single wall.

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
    heights: Heights
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


class Nothing(Refused):
    """No detector hit a single wall of `tune`: none of these, and nothing to prove.

    Attributes
    ----------
    found
        What the search found; `read` names the detectors that read the records at all.
    """

    def __init__(self, feasible: Feasibility, found: Sequence[Found]) -> None:
        lost = "; ".join(f"{f.detector}: {f.lost or 'no hit on tune'}" for f in found)
        super().__init__(f"no detector hit a single wall of `tune`, so none can be chosen: {lost}")
        self.feasible, self.found = feasible, tuple(found)

    @property
    def read(self) -> list[str]:
        """Detectors that read the records, for what it was worth."""
        return [f.detector for f in self.found if f.objective is not None]


def choose(host: Host, request: Request, progress: Progress | None = None) -> Choice:
    """Find the detector and settings that can be trusted on a set-up.

    Raises
    ------
    WrongQuestion
        The folder is there already; a set-up for which no records can be made, or whose walls no
        detector could tell.
    Nothing
        No detector hit a single wall of `tune`: nothing can be recommended.
    """
    refuse_impossible(request.job)
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
    found, finalists, high = _searched(host, request, feasible, tell)
    corpus = _corpus(host, request, high.chosen, tell)
    trial = _proven(request, [corpus, *request.recorded], finalists, tell)
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
    return Choice(
        request.job, feasible, tuple(found), tuple(finalists), high, corpus, trial, verdict,
        between, others, apart,
    )  # fmt: skip


def _searched(
    host: Host, request: Request, feasible: Feasibility, tell: Progress
) -> tuple[list[Found], list[Found], Heights]:
    """Search on records of `tune` alone: those of `prove` are not even made yet."""
    tell("making records to tune on", 0.0)
    with TemporaryDirectory() as kept, Crew(request.workers) as crew:
        folder = Path(kept)
        spec = spec_around(host.forward_model, request.job)
        size = {"prove": 0, "tune": (request.records or SIZE)["tune"]}
        tune = build(host, spec, seed=request.seed, size=size, out=folder / "tune")
        where = Where(
            tune.folder, request.plugins, request.entry_points, _gates(feasible), Limits(),
            request.job.setup.mode,
        )  # fmt: skip
        found, left_s = search(
            request.detectors, where, crew, request.search_s,
            lambda name, share: tell(f"searching: {name}", 0.05 + 0.4 * share),
        )  # fmt: skip
        finalists = _finalists(feasible, found)
        tell("trying screen heights", 0.45)
        high = heights(
            host, request.job, finalists, where, crew, left_s, folder, request.seed
        )  # fmt: skip
        return found, finalists, high


def _corpus(host: Host, request: Request, height: float, tell: Progress) -> Corpus:
    spec = spec_around(host.forward_model, request.job, height=height)
    return build(
        host, spec, seed=request.seed, size=request.records or SIZE, out=request.folder / "corpus",
        workers=max(request.workers, 1),
        progress=lambda n, of: tell("making records to prove on", 0.5 + 0.25 * n / of),
    )  # fmt: skip


def _gates(feasible: Feasibility) -> tuple[float, ...]:
    """From the interface echo to the end of the tail, where there is an interface echo."""
    if feasible.job.setup.delay_line is None:
        return ()
    after = feasible.tail_end_s - float(feasible.walls[0].echo_s[0])
    return (round(after, 9),) if after > 0 else ()


def _finalists(feasible: Feasibility, found: Sequence[Found]) -> list[Found]:
    """The best three of those confirmed on all of `tune`; of the others where none is."""
    judged = [(f.objective, f) for f in found if f.objective is not None]
    reading = [pair for pair in judged if pair[0].hit > 0]
    if not reading:
        raise Nothing(feasible, found)
    ranked = [pair for pair in reading if pair[1].confirmed] or reading
    ranked.sort(key=lambda pair: pair[0], reverse=True)
    return [f for _, f in ranked[:FINALISTS]]


def _proven(
    request: Request, corpora: list[Corpus], finalists: Sequence[Found], tell: Progress
) -> Trial:
    names = [f.detector for f in finalists]
    running = sorted(
        (d for d in request.detectors if d.name in names), key=lambda d: names.index(d.name)
    )
    settings = {f.detector: dict(f.settings) for f in finalists}
    wanted = TrialRequest(corpora, running, settings, None, request.workers)
    done, total = 0, sum(len(c) for c in corpora)

    def read(corpus: str, records: int, of: int) -> None:
        nonlocal done
        done += records
        tell(f"proving the finalists on {corpus}", 0.75 + 0.25 * done / total)

    return conduct(wanted, request.folder / "trial", read)
