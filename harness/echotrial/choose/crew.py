"""Steps of a search in processes of their own: one that dies or hangs costs the others nothing."""

import multiprocessing
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

import numpy as np

from echotrial import host as hosts
from echotrial.choose.objective import Objective, PerRecord, objectives
from echotrial.corpus.store import Corpus
from echotrial.engine import read_corpus
from echotrial.host import Host, LoadedDetector
from echotrial.scores import Limits

DIED: Final = "its process died"


@dataclass(frozen=True)
class Where:
    """From what another process makes itself ready: picklable.

    Attributes
    ----------
    gates_s
        Gate starts worth trying besides those that a detector names.
    mode
        That of the set-up; None = it says none, and all are tried.
    """

    corpus: Path
    plugins: tuple[Path, ...]
    entry_points: bool
    gates_s: tuple[float, ...]
    limits: Limits
    mode: int | None = None


@dataclass(frozen=True)
class Judged:
    """What some settings are worth, and how all records were lost, if they were."""

    objective: Objective
    lost: str = ""
    per_record: PerRecord | None = field(default=None, compare=False, repr=False)


@dataclass(frozen=True)
class Step:
    """Settings of one detector that are to be judged, on the first records of `tune` or on all."""

    where: Where
    detector: str
    settings: tuple[Mapping[str, Any], ...]
    records: int | None = None


Answer = list[Judged] | str
Then = Callable[[Step, Answer], Step | None]


class Bench:
    """A corpus and a host, opened once, on which settings are tried."""

    def __init__(self, where: Where) -> None:
        self.where = where
        self.host = _host(where.plugins, where.entry_points)
        materials = self.host.forward_model.materials() if self.host.models else None
        self.corpus = Corpus.open(where.corpus, materials=materials)
        rows = self.corpus.rows("tune")
        self.rows = np.arange(rows.start, rows.stop)

    def judged(
        self, detector: LoadedDetector, settings: Mapping[str, Any], rows: np.ndarray
    ) -> tuple[Objective, str]:
        """The objective of some settings, and how records were lost, if all were."""
        (found,) = self.judged_each(detector, [settings], rows)
        return found.objective, found.lost

    def judged_each(
        self, detector: LoadedDetector, settings: Iterable[Mapping[str, Any]], rows: np.ndarray
    ) -> list[Judged]:
        """Judge several settings of a detector in one pass: spectra and truth are shared."""
        asked = {f"{detector.name} {i}": chosen for i, chosen in enumerate(settings)}
        result = read_corpus(
            self.corpus, [_named(detector, n) for n in asked], settings=asked, rows=rows, workers=0
        )
        truth = self.corpus.truth.iloc[rows].reset_index(drop=True)
        found = objectives(result.readings, truth, self.corpus.setup, self.where.limits)
        lost = result.failures
        return [
            Judged(found[n][0], _reason(lost[lost["detector"] == n], rows.size), found[n][1])
            for n in asked
        ]

    def answer(self, step: Step) -> list[Judged]:
        """Do a step."""
        detector = self.host.detectors[step.detector]
        return self.judged_each(detector, step.settings, self.rows[: step.records])


def _named(detector: LoadedDetector, name: str) -> LoadedDetector:
    from dataclasses import replace

    return replace(detector, name=name)


def _reason(lost: Any, records: int) -> str:
    if not len(lost) or int(lost["records"].sum()) != records:
        return ""
    return "; ".join(f"{r.status}: {r.note}" for r in lost.itertuples())[:300]


class Crew:
    """Processes that do steps in turn; with no workers the steps are done in this process.

    Where a process dies, the steps that it left unfinished are done again one at a time, to see
    whose fault it was; an answer that is there already counts.
    """

    def __init__(self, workers: int) -> None:
        self._workers = workers
        self._pool: ProcessPoolExecutor | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:  # fmt: skip
        self._end()

    def run(self, steps: Iterable[Step], limit_s: float, then: Then) -> list[Step]:
        """Do steps first come, first served; `then` is told each answer and may give a next one.

        Parameters
        ----------
        limit_s
            After so many seconds nothing more is begun, and what is under way is cut off.

        Returns
        -------
        list
            The steps that were not done.
        """
        deadline = time.monotonic() + limit_s
        queue = deque(steps)
        if self._workers == 0:
            return self._here(queue, deadline, then)
        alone: deque[Step] = deque()
        under_way: dict[Future[list[Judged]], Step] = {}
        while queue or alone or under_way:
            source, width = (alone, 1) if alone else (queue, self._workers)
            while source and len(under_way) < width and time.monotonic() < deadline:
                step = source.popleft()
                under_way[self._submit(step)] = step
            left = max(deadline - time.monotonic(), 0.0)
            done, _ = wait(under_way, left, FIRST_COMPLETED)
            if not done:
                self._end()
                return [*under_way.values(), *alone, *queue]
            broken = any(map(_broke, done))
            for future in [f for f in under_way if f.done() and not _broke(f)]:
                _tell(then, under_way.pop(future), future.result(), queue)
            if broken:  # no telling yet whose fault: not every future need know of it by now
                self._end()
                unfinished = list(under_way.values())
                under_way.clear()
                if source is alone:
                    _tell(then, unfinished[0], DIED, queue)
                else:
                    alone.extend(unfinished)
        return []

    def _here(self, queue: deque[Step], deadline: float, then: Then) -> list[Step]:
        while queue and time.monotonic() < deadline:
            step = queue.popleft()
            _tell(then, step, _bench(step.where).answer(step), queue)
        return list(queue)

    def _submit(self, step: Step) -> Future[list[Judged]]:
        if self._pool is None:
            self._pool = ProcessPoolExecutor(self._workers, multiprocessing.get_context("spawn"))
        try:
            return self._pool.submit(_answer, step)
        except BrokenProcessPool as error:
            broken: Future[list[Judged]] = Future()
            broken.set_exception(error)
            return broken

    def _end(self) -> None:
        """Stop the processes, whatever they do."""
        if self._pool is None:
            return
        processes = list((getattr(self._pool, "_processes", None) or {}).values())
        self._pool.shutdown(wait=False, cancel_futures=True)
        for process in processes:
            process.kill()
        self._pool = None


def _tell(then: Then, step: Step, answer: Answer, queue: deque[Step]) -> None:
    following = then(step, answer)
    if following is not None:
        queue.append(following)


def _broke(future: Future[list[Judged]]) -> bool:
    return future.done() and isinstance(future.exception(), BrokenProcessPool)


@cache
def _host(plugins: tuple[Path, ...], entry_points: bool) -> Host:
    return hosts.load(plugins, use_entry_points=entry_points)


@cache
def _bench(where: Where) -> Bench:
    return Bench(where)


def _answer(step: Step) -> list[Judged]:
    return _bench(step.where).answer(step)
