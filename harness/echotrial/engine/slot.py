"""The near end of a worker child: give it tasks, end it when it has to be."""

import os
import signal
import time
from collections import deque
from contextlib import suppress
from dataclasses import dataclass

from echotrial.engine.nest import Kept, Nest
from echotrial.engine.plan import Span
from echotrial.errors import NotToBeHad

_ATTEMPTS = 20


@dataclass(frozen=True)
class Task:
    """A part of a chunk that some of the detectors still have to read.

    `alone`: in a process that has run no other detector, because this one is under suspicion.
    """

    chunk: Span
    span: Span
    detectors: tuple[int, ...]
    alone: bool = False


@dataclass
class Doing:
    """What a child does at the moment."""

    phase: str
    detector: int
    since: float
    limit_s: float

    @property
    def left_s(self) -> float:
        """Seconds until its time is up."""
        return self.since + self.limit_s - time.monotonic()


class Slot:
    """One place in a nest. `link` leads to its living child; `task` is what that works on.

    `waiting` is what it has been told to do next: it need not wait until somebody hears that it has
    done the first. `who` names the job's detectors by their source; empty where its child must
    serve no other job.
    """

    def __init__(self, nest: Nest, place: int, job: bytes, who: frozenset[str]) -> None:
        self._nest, self.place, self._job, self._who = nest, place, job, who
        self.task: Task | None = None
        self.waiting = deque[Task]()
        self.doing: Doing | None = None
        self.history: set[int] = set()
        if not self._is_taken_over():
            self.connect()

    def _is_taken_over(self) -> bool:
        """Go on with the child of the run before, if that had the same detectors."""
        kept = self._nest.kept.pop(self.place, None)
        if kept is None:
            return False
        self.link, self._child = kept.link, kept.child
        self.history = set(range(len(self._who)))
        if kept.who == self._who:
            with suppress(OSError):
                self.link.send_bytes(self._job)
                return True
        self.kill()
        return False

    def leave(self) -> None:
        """Keep an idle child for the next run: its kernels are loaded, its detectors known."""
        if self.task is None and self._who:
            self._nest.kept[self.place] = Kept(self.link, self._child, self._who)
        else:
            self.kill()

    def connect(self) -> str:
        """Wait for a child, hand it the job; return how the child before it ended."""
        self.task = self.doing = None
        self.waiting.clear()
        self.history = set()
        for _ in range(_ATTEMPTS):  # a child may have been killed since it called
            with suppress(EOFError, OSError):
                self.link, self._child, how_the_last_one_ended = self._nest.hatch(self.place)
                self.link.send_bytes(self._job)
                return how_the_last_one_ended
        raise NotToBeHad("worker processes die as soon as they start")

    def give(self, task: Task, *, warm: bool) -> None:
        """Let the child begin on a task, or go on with it once it is done with the one it has."""
        self.link.send((task.span, task.detectors, warm))
        if self.task is None:
            self.task, self.doing = task, None
        else:
            self.waiting.append(task)
        self.history.update(task.detectors)

    def done(self) -> None:
        """The child has done its task and is at the next one."""
        self.task, self.doing = self.waiting.popleft() if self.waiting else None, None

    def renew(self) -> str:
        """End the child, with all it may have started, and wait for a new one."""
        self.kill()
        return self.connect()

    def kill(self) -> None:
        """End the child."""
        self.link.close()
        with suppress(ProcessLookupError, PermissionError):
            os.killpg(self._child, signal.SIGKILL)
        self._nest.forget(self.place, self._child)
