"""One chunk through the detectors, guarded: what fails costs its own records and no others."""

import os
import random
import time
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from echotrial.ascan import Batch, Readings, Reason
from echotrial.detector import Detect, Detector
from echotrial.engine.job import DetectorCall, Job
from echotrial.engine.plan import Span
from echotrial.engine.sealed import locked, sealed, sealed_setup, tally
from echotrial.engine.slices import VALUES, Slice, Status, joined
from echotrial.engine.warmup import practice
from echotrial.errors import NotApplicable

Tell = Callable[[str, int, int], None]


class Fault(Exception):
    """A detector cannot do its work: the status of its records and the reason."""

    def __init__(self, status: Status, note: str) -> None:
        super().__init__(note)
        self.status, self.note = status, note


class OutOfMemory(Exception):
    """A detector met the memory limit; its process is not to be trusted with more work."""


class Prepared(NamedTuple):
    """A detector at work, and what it was prepared from."""

    factory: type[Detector]
    settings: Any
    is_without_maps: bool
    detect: Detect

    def hand_over(
        self, batch: Batch, values: NDArray[np.float64], reason: NDArray[np.int8], seconds: float
    ) -> None:
        """Offer others a copy, which nobody can write to, of what it has read of a batch."""
        if self.is_without_maps:
            readings = Readings(*map(locked, (*values.copy(), reason.copy())))
            batch.known.add(self.factory, self.settings, readings, seconds)


class Bench:
    """The detectors of a job in this process, each prepared when it is first needed.

    Parameters
    ----------
    job
        The run.
    factories
        Detectors already loaded here, by name; the others are loaded from where they came.
    tell
        Called with (phase, detector, records) before each thing that may take long.
    own_process
        True in a worker: then whatever a detector raises is its own fault, and one that runs out
        of memory ends in `OutOfMemory`.
    """

    def __init__(
        self,
        job: Job,
        factories: Mapping[str, type[Detector]] | None = None,
        *,
        tell: Tell = lambda phase, detector, records: None,
        own_process: bool = False,
    ) -> None:
        self.job, self._factories, self._tell = job, dict(factories or {}), tell
        self._own_process = own_process
        self._ready: dict[int, Prepared | Fault] = {}
        self._setup = sealed_setup(job.source.setup)
        self._practice: Batch | None = None

    def read(self, span: Span, detectors: Sequence[int], *, warm: bool = True) -> list[Slice]:
        """Read one chunk, or a part of it, with some of the detectors."""
        batch = sealed(self.job.source.batch(span.start, span.stop), self._setup)
        before = tally(batch)
        found = [self._slice(batch, span, d, warm) for d in detectors]
        if tally(batch) == before:
            return found
        if len(detectors) > 1:  # somebody wrote to the waveforms: who does so alone?
            return [s for d in detectors for s in self.read(span, [d], warm=warm)]
        if len(span) > 1:
            halves = [self.read(half, detectors, warm=warm)[0] for half in span.halves()]
            return [joined(halves)]
        return [Slice.failed(detectors[0], span, Status.CRASHED, "it wrote to its input")]

    def _slice(self, batch: Batch, span: Span, detector: int, warm: bool) -> Slice:
        try:
            ready = self._prepared(detector, batch, warm)
        except Fault as fault:
            return Slice.failed(detector, span, fault.status, fault.note)
        self._tell("read", detector, len(span))
        return self._bisected(ready, batch, span, detector)

    def _prepared(self, number: int, batch: Batch, warm: bool) -> Prepared:
        if number not in self._ready:
            self._tell("prepare", number, len(batch))
            self._ready[number] = self._prepare(self.job.calls[number])
            ready = self._ready[number]
            if warm and not isinstance(ready, Fault):
                self._tell("warm up", number, len(batch))
                self._warm_up(ready, batch, self.job.calls[number].name)
        ready = self._ready[number]
        if isinstance(ready, Fault):  # raised itself it would hold on to all that called for it
            raise Fault(ready.status, ready.note)
        return ready

    def _prepare(self, call: DetectorCall) -> Prepared | Fault:
        try:
            with self._guarded(call.name, "prepare"):
                factory = self._factories.get(call.name) or call.factory()
                settings = factory.Settings(**call.settings)
                maps = {} if call.maps is None else {"maps": call.maps}
                detect = factory().prepare(self._setup, settings, **maps)
                return Prepared(factory, settings, call.maps is None, detect)
        except Fault as fault:
            return Fault(fault.status, fault.note)

    def _warm_up(self, ready: Prepared, batch: Batch, name: str) -> None:
        """Let kernels compile on invented A-scans, so that compiling is nobody's reading time.

        The same ones for all, so that a detector that combines others need not call them here.
        """
        if self._practice is None:
            self._practice = sealed(practice(batch), self._setup)
        try:
            with self._guarded(name, "warm-up"):
                answer = ready.detect(self._practice)
                ready.hand_over(self._practice, *as_arrays(answer, len(self._practice)), 0.0)
        except Fault:
            pass  # it may dislike these A-scans; the records are what counts

    def _bisected(self, ready: Prepared, batch: Batch, span: Span, detector: int) -> Slice:
        try:
            return self._called(ready, batch, span, detector)
        except Fault as fault:
            if len(span) == 1:
                return Slice.failed(detector, span, fault.status, fault.note)
        parts = []
        for half in span.halves():
            rows = slice(half.start - span.start, half.stop - span.start)
            parts.append(
                self._bisected(ready, sealed(batch.take(rows), self._setup), half, detector)
            )
        return joined(parts)

    def _called(self, ready: Prepared, batch: Batch, span: Span, detector: int) -> Slice:
        with self._guarded(self.job.calls[detector].name, ""):
            lent_s, began = batch.known.lent_s, time.perf_counter()
            answer = ready.detect(batch)
            seconds = time.perf_counter() - began + batch.known.lent_s - lent_s
            values, reason = as_arrays(answer, len(span))
        found = judged(detector, span, values, reason)
        if not found.notes:
            ready.hand_over(batch, values, reason, seconds)
        return replace(found, seconds=seconds, timed=len(span))

    @contextmanager
    def _guarded(self, name: str, doing: str) -> Iterator[None]:
        """Whatever the detector raises becomes a `Fault`; what it changed is put back."""
        where = f"{doing}: " if doing else ""
        try:
            with undisturbed(name):
                yield
        except Fault:
            raise
        except NotApplicable as error:
            if doing == "prepare":
                raise Fault(Status.NOT_APPLICABLE, words(error)) from None
            raise Fault(Status.CRASHED, f"{where}NotApplicable: {words(error)}") from None
        except BaseException as error:
            if self._own_process and isinstance(error, MemoryError):
                raise OutOfMemory(f"{where}MemoryError: {words(error)}") from None
            if not self._own_process and isinstance(error, KeyboardInterrupt):
                raise
            raise Fault(Status.CRASHED, f"{where}{type(error).__name__}: {words(error)}") from None


@contextmanager
def undisturbed(name: str) -> Iterator[None]:
    """Put back what a detector may change: error and random state, folder, warning filters.

    Inside, numpy's and Python's global generators are seeded from the detector's name, so that
    one that draws from them does not depend on who drew before.
    """
    folder, drawn, drawn_by_numpy = os.getcwd(), random.getstate(), np.random.get_state()  # noqa: NPY002
    random.seed(name)
    np.random.seed(random.getrandbits(32))  # noqa: NPY002
    try:
        with np.errstate(all="ignore"), warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        os.chdir(folder)
        random.setstate(drawn)
        np.random.set_state(drawn_by_numpy)  # noqa: NPY002


def words(error: BaseException) -> str:
    """The message of an exception on one line of at most 200 characters, whatever it is."""
    try:
        text = " ".join(str(error).split())
    except BaseException:
        text = "its message cannot be read"
    return text[:200] or "no message"


def as_arrays(answer: Any, n: int) -> tuple[NDArray[np.float64], NDArray[np.int8]]:
    """The fields of an answer as float64 (7, n) and int8 (n,).

    Raises
    ------
    Fault
        It is no `Readings`, or one of its arrays does not have n entries.
    """
    if not isinstance(answer, Readings):
        raise Fault(Status.INVALID, f"returned {type(answer).__name__} instead of Readings")
    for name in (*VALUES, "reason"):
        shape = np.shape(getattr(answer, name))
        if shape != (n,):
            raise Fault(Status.INVALID, f"{name} has shape {shape} for {n} records, not ({n},)")
    values = np.array([getattr(answer, name) for name in VALUES], dtype=np.float64)
    return values, np.array(answer.reason, dtype=np.int8)


def judged(
    detector: int, span: Span, values: NDArray[np.float64], reason: NDArray[np.int8]
) -> Slice:
    """A slice in which values that cannot be are `INVALID`, each with its note."""
    thickness, confidence = values[0], values[-1]
    wrong = {
        "thickness is negative": thickness < 0,
        "a value is infinite": np.isinf(values).any(axis=0),
        "confidence is outside [0, 1]": (confidence < 0) | (confidence > 1),
        "reason is unknown": (reason < 0) | (reason >= len(Reason)),
    }
    notes = {
        int(row): f"{rule}: thickness {thickness[row]:g} m, confidence {confidence[row]:g}"
        for rule, rows in wrong.items()
        for row in np.flatnonzero(rows)
    }
    status = np.full(len(span), Status.OK, dtype=np.int8)
    bad = np.array(sorted(notes), dtype=np.intp)
    status[bad] = Status.INVALID
    silent = np.isnan(thickness)
    reason = np.where(~silent, Reason.READ, reason)
    reason = np.where(silent & (reason == Reason.READ), Reason.UNSTATED, reason).astype(np.int8)
    values[:, bad], reason[bad] = np.nan, Reason.FAULT
    return Slice(detector, span, values, reason, status, notes)
