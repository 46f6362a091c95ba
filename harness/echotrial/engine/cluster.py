"""The same run on a Dask cluster; Dask schedules, and each of its workers guards as we do here.

A Dask worker hands its chunks to a worker process of its own (`echotrial.engine.pool`), so what a
detector does costs its records and never the Dask worker. Only the job and readings travel.
"""

import hashlib
import re
import threading
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from importlib import import_module
from types import TracebackType
from typing import Any, Self

from echotrial.engine.digest import surroundings
from echotrial.engine.job import Job, Source
from echotrial.engine.parcel import Parcel
from echotrial.engine.plan import Span
from echotrial.engine.pool import Pool, Wanted
from echotrial.engine.slices import Slice
from echotrial.errors import EchotrialError, NotToBeHad, WrongQuestion

#: Seconds in which a scheduler has to answer.
ANSWER_S = 10
#: Chunks under way for each thread of the cluster.
_AHEAD = 3
#: Records by which client and workers check that they see the same waveforms.
_SAMPLE = 16


class Cluster:
    """A connection to a Dask cluster; use as a context manager, for as many runs as wanted.

    Parameters
    ----------
    address
        ``tcp://host:port`` of a scheduler, or ``local:N`` for N processes on this machine.

    Raises
    ------
    WrongQuestion
        An address of another form.
    NotToBeHad
        No answer, no workers, or no Dask here.
    """

    def __init__(self, address: str) -> None:
        if not re.fullmatch(r"local:[1-9]\d*|[a-z]+://.+", address):
            raise WrongQuestion(
                f"cluster '{address}': write 'tcp://host:port' of a Dask scheduler, or 'local:4'"
            )
        self.address = address
        self._client: Any = None
        self._open = ExitStack()
        self._depth = 0

    def __enter__(self) -> Self:
        if self._depth == 0:
            with ExitStack() as opened:
                self._client = self._connected(opened)
                self._open = opened.pop_all()
        self._depth += 1
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._depth -= 1
        if self._depth == 0:
            self._open.close()

    def _connected(self, opened: ExitStack) -> Any:
        try:
            distributed: Any = import_module("distributed")
        except ImportError:
            raise NotToBeHad("Dask is not installed: pip install 'echotrial[cluster]'") from None
        where: Any = self.address
        if self.address.startswith("local:"):
            where = opened.enter_context(
                distributed.LocalCluster(
                    n_workers=int(self.address.removeprefix("local:")),
                    threads_per_worker=1,
                    dashboard_address=None,
                )
            )
        try:
            client = opened.enter_context(distributed.Client(where, timeout=ANSWER_S))
        except (OSError, ValueError) as error:
            raise NotToBeHad(
                f"cluster {self.address}: no scheduler answers within {ANSWER_S} s ({error}); "
                "is the address right, is it running?"
            ) from None
        if not client.nthreads():
            raise NotToBeHad(f"cluster {self.address}: it has no workers; start some")
        return client

    def read(self, job: Job, here: Source, wanted: Sequence[Wanted]) -> Iterator[list[Slice]]:
        """Slices of each chunk in the order asked for, as `Pool.read` gives them.

        `here` is the corpus as it is on this machine, to compare with what workers see.

        Raises
        ------
        NotToBeHad
            Workers with other versions or other waveforms, or workers that keep dying.
        """
        parcel = Parcel.of(job)
        self._agree(parcel, here)
        ahead = _AHEAD * sum(self._client.nthreads().values())
        coming, under_way = iter(wanted), deque[Any]()
        while True:
            for span, detectors in coming:
                under_way.append(self._submitted(parcel, span, detectors))
                if len(under_way) >= ahead:
                    break
            if not under_way:
                return
            yield self._result(under_way.popleft())

    def _submitted(self, parcel: Parcel, span: Span, detectors: tuple[int, ...]) -> Any:
        if not detectors:
            return None
        return self._client.submit(_read, parcel, span, detectors, pure=False)

    def _result(self, task: Any) -> list[Slice]:
        if task is None:
            return []
        from distributed import KilledWorker
        from distributed.client import FutureCancelledError

        try:
            found: list[Slice] = task.result()
        except (KilledWorker, FutureCancelledError) as error:
            raise NotToBeHad(
                f"cluster {self.address}: workers keep dying ({type(error).__name__}); "
                "readings so far are kept where there is a work folder"
            ) from None
        return found

    def _agree(self, parcel: Parcel, source: Source) -> None:
        """Refuse workers whose readings could differ from those made here."""
        mine = {**surroundings(), "detectors": parcel.sources()}
        answers: dict[str, dict[str, Any]] = self._client.run(_surroundings, parcel)
        for worker, theirs in answers.items():
            for name, value in mine.items():
                if theirs[name] != value:
                    raise NotToBeHad(
                        f"cluster {self.address}: worker {worker} has {name} {theirs[name]}, "
                        f"here it is {value}; install the same on both"
                    )
        here = _digest(source)
        for worker, answer in self._client.run(_sees, parcel).items():
            if answer != here:
                what = answer if " " in answer else "other records than there are here"
                raise NotToBeHad(f"cluster {self.address}: worker {worker} sees {what}")


# -- what runs on a Dask worker -------------------------------------------------------------------

_of_this_thread = threading.local()


def _surroundings(parcel: Parcel) -> dict[str, Any]:
    return {**surroundings(), "detectors": parcel.sources()}


def _digest(source: Source) -> str:
    batch = source.batch(0, _SAMPLE)
    return hashlib.sha256(batch.samples.tobytes() + batch.start_s.tobytes()).hexdigest()


def _sees(parcel: Parcel) -> str:
    try:
        return _digest(parcel.unpacked().source)
    except EchotrialError as error:
        return f"no such corpus: {error}"


def _read(parcel: Parcel, span: Span, detectors: tuple[int, ...]) -> list[Slice]:
    """Read a chunk in this thread's worker process."""
    (found,) = _pool(parcel).read([(span, detectors)])
    return found


def _pool(parcel: Parcel) -> Pool:
    """The pool of this thread for that job; a pool of another job makes room for it."""
    key, pool = getattr(_of_this_thread, "pool", (None, None))
    if key != parcel.key:
        if pool is not None:
            pool.__exit__(None, None, None)
        pool = Pool(parcel.unpacked(), 1).__enter__()
        _of_this_thread.pool = (parcel.key, pool)
    assert isinstance(pool, Pool)
    return pool
