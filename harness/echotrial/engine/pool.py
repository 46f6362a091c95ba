"""Worker processes that read chunks; a detector that hangs or dies loses only its own records."""

import pickle
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from multiprocessing.connection import wait
from pathlib import Path
from types import TracebackType
from typing import Self

from echotrial.engine.deposit import withdrawn
from echotrial.engine.job import Job
from echotrial.engine.nest import Nest, borrow, give_back
from echotrial.engine.plan import Span
from echotrial.engine.slices import Slice, Status, joined
from echotrial.engine.slot import Doing, Slot, Task

#: Chunks that may be ahead of the slowest one, per worker: what bounds memory.
_AHEAD = 16
#: Chunks that wait in a worker's pipe: with all detectors more than it reads while a corpus is
#: scored and shown.
_LINED_UP = 2
#: Times in a row that workers may die outside any detector before the run is given up.
_MYSTERIES = 3

Wanted = tuple[Span, tuple[int, ...]]


class Pool:
    """`workers` processes for one job; use as a context manager.

    A worker that dies or runs out of time while a detector is at work puts that detector under
    suspicion: it gets the same records in a fresh process, alone, then their halves, down to the
    records that really fail. The others get the chunk without it.

    `spare` is called when the first worker has nothing left to do. A pool that comes `after` this
    one, and was made by then, gets each worker as soon as it is idle: none waits for the slowest.
    """

    def __init__(
        self,
        job: Job,
        workers: int,
        spare: Callable[[], None] = lambda: None,
        after: "Pool | None" = None,
    ) -> None:
        self._job, self._workers, self._spare, self._before = job, workers, spare, after
        self._packed = pickle.dumps(job, protocol=pickle.HIGHEST_PROTOCOL)
        self._coming, self._order = deque[Wanted](), deque[Wanted]()
        self._heir: Pool | None = None
        self._free: list[int] = []  # places of the nest that it does not need
        self._is_spare_told = False
        self._nest: Nest | None = None
        self._slots: list[Slot] = []
        self._urgent: deque[Task] = deque()
        self._parts: dict[Span, dict[int, list[Slice]]] = {}
        self._off: dict[int, tuple[Status, str]] = {}
        self._cold: set[int] = set()
        self._lost_s = dict.fromkeys(range(len(job.calls)), 0.0)
        self._mysteries = 0

    def __enter__(self) -> Self:
        self._nest = None if self._before is None else self._before.left_to(self)
        if self._nest is not None:  # workers come one by one
            return self
        self._nest = borrow(self._workers)
        self._free = list(range(self._workers, self._nest.places))
        try:
            for place in range(self._workers):
                self._open(place)
        except BaseException:
            self._nest.close()
            raise
        return self

    def _open(self, place: int) -> None:
        assert self._nest is not None
        self._slots.append(Slot(self._nest, place, self._packed, self._who()))

    def left_to(self, heir: "Pool") -> Nest | None:
        """The nest whose places another pool will get, None if it has to find one of its own."""
        if self._nest and not self._heir and heir._workers <= self._nest.places:
            self._heir = heir
        return self._nest if self._heir is heir else None

    def take(self, place: int) -> None:
        """Go on with a worker that another pool does not need any more."""
        if len(self._slots) < self._workers:
            self._open(place)
            self._hand_out()
        else:
            self._free.append(place)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        assert self._nest is not None
        nest, self._nest = self._nest, None
        for slot in self._slots:
            slot.kill() if error else slot.leave()
        if self._heir is None:
            give_back(nest)
        elif not error:
            for place in [*(slot.place for slot in self._slots), *self._free]:
                self._heir.take(place)

    def _who(self) -> frozenset[str]:
        """The detectors by their sources; empty with one from a file, which is loaded but once."""
        calls = self._job.calls
        if any(Path(c.plugin).is_file() for c in calls):
            return frozenset()
        return frozenset(f"{c.name} {c.version} {c.source_digest}" for c in calls)

    # -- chunks in, slices out --------------------------------------------------------------------

    def read(self, wanted: Iterable[Wanted]) -> Iterator[list[Slice]]:
        """Slices of each chunk, one a detector, in the order asked for.

        Workers begin at once, and not when the first chunk is asked for.
        """
        self._coming.extend(wanted)
        self._hand_out()
        return self._chunks()

    def _chunks(self) -> Iterator[list[Slice]]:
        while self._order or self._coming:
            while self._order and self._is_complete(self._order[0]):
                yield self._collected(self._order.popleft())
            if self._order and any(slot.task for slot in self._slots):
                self._listen()
            self._hand_out()
            if not self._coming and not self._urgent:
                self._let_go()

    def _let_go(self) -> None:
        """Pass idle workers on: there is nothing left for them here."""
        idle = [slot for slot in self._slots if slot.task is None]
        if idle and not self._is_spare_told:
            self._is_spare_told = True
            self._spare()
        if self._heir is not None and len(idle) < len(self._slots):  # the last one stays to the end
            for slot in idle:
                self._slots.remove(slot)
                slot.leave()
                self._heir.take(slot.place)

    def _hand_out(self) -> None:
        """Give every idle worker something, and the others whole chunks to go on with.

        Then none of them waits while this process has other things to do. What is less than a chunk
        comes last, for whoever is idle first.
        """
        for slot in self._slots:
            while slot.task is None and (self._urgent or self._may_come()):
                self._give(slot, self._urgent.popleft() if self._urgent else self._next())
        for slot in self._slots:
            while self._may_wait(slot) and self._may_come():
                if len(self._coming[0][0]) < self._job.chunk:
                    return
                self._give(slot, self._next())

    def _may_come(self) -> bool:
        return bool(self._coming) and len(self._order) < _AHEAD * self._workers

    def _may_wait(self, slot: Slot) -> bool:
        """Whether a chunk may be lined up behind the task of a worker: never behind a suspect."""
        busy = slot.task is not None and not slot.task.alone
        return busy and len(slot.waiting) < _LINED_UP and not self._urgent

    def _next(self) -> Task:
        chunk = self._coming.popleft()
        self._order.append(chunk)
        self._parts[chunk[0]] = {d: [] for d in chunk[1]}
        return Task(chunk[0], *chunk)

    def _give(self, slot: Slot, task: Task) -> None:
        for detector in set(task.detectors) & set(self._off):
            status, note = self._off[detector]
            self._keep(task, [Slice.failed(detector, task.span, status, note, final=False)])
        left = tuple(d for d in task.detectors if d not in self._off)
        if not left:
            return
        if task.alone and slot.history - set(left):
            slot.renew()
        try:
            slot.give(Task(task.chunk, task.span, left, task.alone), warm=not self._is_cold(left))
        except OSError:  # it died
            self._urgent.appendleft(task)
            if slot.task is None:  # of one that was at work its link will tell
                slot.renew()

    def _is_cold(self, detectors: Sequence[int]) -> bool:
        return bool(self._cold.intersection(detectors))

    def _keep(self, task: Task, slices: Iterable[Slice]) -> None:
        for part in slices:
            self._parts[task.chunk][part.detector].append(part)

    def _is_complete(self, wanted: Wanted) -> bool:
        span, detectors = wanted
        parts = self._parts[span]
        return all(sum(len(p.span) for p in parts[d]) == len(span) for d in detectors)

    def _collected(self, wanted: Wanted) -> list[Slice]:
        parts = self._parts.pop(wanted[0])
        return [joined(parts[d]) for d in wanted[1]]

    # -- what workers say, and what their silence means ----------------------------------------

    def _listen(self) -> None:
        """Wait until a worker says something or its time is up, and act on it."""
        busy: dict[object, Slot] = {slot.link: slot for slot in self._slots if slot.task}
        limits = [slot.doing.left_s for slot in busy.values() if slot.doing]
        ready = wait(
            [slot.link for slot in busy.values()], max(0.0, min(limits)) if limits else None
        )
        for link in ready:
            self._hear(busy[link])
        for slot in busy.values():
            if slot.doing and slot.doing.left_s <= 0:
                note = f"no answer within {slot.doing.limit_s:g} s"
                self._fault(slot, Status.TIMED_OUT, note)

    def _hear(self, slot: Slot) -> None:
        assert slot.task is not None
        try:
            kind, *content = slot.link.recv()
        except Exception:  # it died, perhaps in the middle of a word
            self._fault(slot, Status.CRASHED, None)
            return
        if kind == "doing":
            slot.doing = self._as_doing(*content[0])
        elif kind == "done":
            self._keep(slot.task, withdrawn(content[0], content[1]))
            self._mysteries = 0
            slot.done()
            if content[2]:  # it holds half of its memory: what comes next could suffer
                self._renewed(slot, [slot.task] if slot.task else [])
        elif kind == "fault":
            self._fault(slot, Status.CRASHED, str(content[0]))
        else:
            raise content[0]

    def _as_doing(self, phase: str, detector: int, records: int) -> Doing:
        limits = self._job.limits
        seconds = limits.seconds(records, self._job.chunk) if phase == "read" else limits.prepare_s
        return Doing(phase, detector, time.monotonic(), seconds)

    def _fault(self, slot: Slot, status: Status, note: str | None) -> None:
        """End a worker's child and decide how its task goes on."""
        task, doing = slot.task, slot.doing
        assert task is not None
        how = self._renewed(slot)
        if doing is None:
            self._mystery(task, how)
            return
        self._lost_s[doing.detector] += time.monotonic() - doing.since
        rest = tuple(d for d in task.detectors if d != doing.detector)
        if rest:
            self._urgent.appendleft(Task(task.chunk, task.span, rest))
        self._suspect(task, doing, status, note or how)

    def _renewed(self, slot: Slot, begun: Sequence[Task] = ()) -> str:
        """Give a worker a fresh child; what the old one was to do next goes to whoever is idle."""
        self._urgent.extend([*begun, *slot.waiting])
        return slot.renew()

    def _mystery(self, task: Task, how: str) -> None:
        self._mysteries += 1
        if self._mysteries > _MYSTERIES:
            raise RuntimeError(f"workers die before any detector is at work: {how}")
        self._urgent.appendleft(task)

    def _suspect(self, task: Task, doing: Doing, status: Status, note: str) -> None:
        """Single out the records at which a detector fails; it has just failed at these."""
        me, limits = doing.detector, self._job.limits
        again = Task(task.chunk, task.span, (me,), alone=True)
        if doing.phase == "warm up":  # it may be made for other A-scans: try without
            self._cold.add(me)
            self._urgent.append(again)
        elif not task.alone and status is Status.CRASHED:
            self._urgent.append(again)
        elif doing.phase == "prepare":
            self._off[me] = (status, f"prepare: {note}")
            self._urgent.append(again)
        elif len(task.span) == 1:
            lasting = status is Status.CRASHED and "MemoryError" not in note
            self._keep(task, [Slice.failed(me, task.span, status, note, final=lasting)])
        elif self._lost_s[me] > limits.patience_s:
            lost = f"given up after {self._lost_s[me]:.0f} s lost to time limits and deaths"
            self._off[me] = (status, f"{lost}; the last: {note}")
            self._urgent.append(again)
        else:
            for half in task.span.halves():
                self._urgent.append(Task(task.chunk, half, (me,), alone=True))
