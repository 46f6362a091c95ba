"""The search for a detector's settings on `tune`, one setting at a time."""

import multiprocessing
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np

from echotrial import host as hosts
from echotrial.choose.candidates import candidates
from echotrial.choose.objective import Objective, objective
from echotrial.corpus.store import Corpus
from echotrial.engine import read_corpus
from echotrial.host import LoadedDetector
from echotrial.scores import Limits

#: Records of `tune` that a setting is tried on; what is found is judged on all of them.
SCREEN: Final = 300
#: Settings tried of one detector at most.
MOST: Final = 30


@dataclass(frozen=True)
class Found:
    """What the search found for one detector."""

    detector: str
    settings: Mapping[str, Any]
    objective: Objective | None
    tried: int
    lost: str = ""


@dataclass(frozen=True)
class Where:
    """From what another process makes itself ready: picklable."""

    corpus: Path
    plugins: tuple[Path, ...]
    entry_points: bool
    gates_s: tuple[float, ...]
    limits: Limits


Tell = Callable[[Found], None]


def search(
    detectors: Sequence[LoadedDetector], where: Where, workers: int, tell: Tell | None = None
) -> list[Found]:
    """Search every detector's settings; in processes of their own where `workers` is not 0.

    One that takes its process along is reported as lost, never left out.
    """
    names = [d.name for d in detectors]
    if workers == 0:
        bench = Bench(where)
        done = []
        for name in names:
            done.append(bench.search(name))
            if tell:
                tell(done[-1])
        return done
    found: dict[str, Found] = {}
    with ProcessPoolExecutor(
        min(workers, len(names)), multiprocessing.get_context("spawn"), _begin, (where,)
    ) as pool:
        waiting: dict[Future[Found], str] = {pool.submit(_search, n): n for n in names}
        for future in as_completed(waiting):
            name = waiting[future]
            try:
                found[name] = future.result()
            except BrokenProcessPool:
                found[name] = Found(name, {}, None, 0, "its process died during the search")
            if tell:
                tell(found[name])
    return [found[name] for name in names]


class Bench:
    """A corpus and a host, opened once, on which settings are tried."""

    def __init__(self, where: Where) -> None:
        self.where = where
        self.host = hosts.load(where.plugins, use_entry_points=where.entry_points)
        materials = self.host.forward_model.materials() if self.host.models else None
        self.corpus = Corpus.open(where.corpus, materials=materials)
        rows = self.corpus.rows("tune")
        self.rows = np.arange(rows.start, rows.stop)

    def judged(
        self, detector: LoadedDetector, settings: Mapping[str, Any], rows: np.ndarray
    ) -> tuple[Objective, str]:
        """The objective of some settings, and how records were lost, if any were."""
        result = read_corpus(
            self.corpus, [detector], settings={detector.name: settings}, rows=rows, workers=0
        )
        lost = result.failures
        reason = "; ".join(f"{r.status}: {r.note}" for r in lost.itertuples())[:300]
        truth = self.corpus.truth.iloc[rows].reset_index(drop=True)
        found = objective(result.readings, truth, self.corpus.setup, self.where.limits)
        return found, reason if len(lost) and int(lost["records"].sum()) == rows.size else ""

    def search(self, name: str) -> Found:
        """Coordinate search: each setting in turn keeps the value that looked best."""
        detector = self.host.detectors[name]
        screen = self.rows[:SCREEN]
        best: dict[str, Any] = {}
        value, lost = self.judged(detector, best, screen)
        tried = 1
        for setting, values in candidates(detector, self.where.gates_s).items():
            default = detector.settings_model.model_fields[setting].default
            for candidate in values:
                if candidate == default or tried >= MOST:
                    continue
                settings = best | {setting: candidate}
                other, other_lost = self.judged(detector, settings, screen)
                tried += 1
                if not other_lost and (lost or other > value):
                    best, value, lost = settings, other, other_lost
        if lost:
            return Found(name, {}, None, tried, lost)
        return Found(name, best, self.judged(detector, best, self.rows)[0], tried)


_bench: list[Bench] = []


def _begin(where: Where) -> None:
    _bench[:] = [Bench(where)]


def _search(name: str) -> Found:
    return _bench[0].search(name)
