"""The process from which worker children are forked, kept between the runs of this process."""

import atexit
import json
import socket
import subprocess
import sys
import tempfile
import threading
from contextlib import suppress
from multiprocessing.connection import Connection
from pathlib import Path
from typing import NamedTuple

from echotrial.engine.threads import single_threaded_environment
from echotrial.errors import NotToBeHad

_START_S = 120.0


class Kept(NamedTuple):
    """An idle child and the detectors that it has run."""

    link: Connection
    child: int
    who: frozenset[str]


class Nest:
    """One `echotrial.engine.worker` with `places` children, each at a socket of its own.

    A child that dies is replaced; its successor waits at the same place. Starting the nest returns
    at once, `hatch` waits.
    """

    def __init__(self, places: int) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="echotrial-")
        self._sockets = [self._listening(str(place)) for place in range(places)]
        self.kept: dict[int, Kept] = {}
        self._has_hatched = False
        self._process = subprocess.Popen(
            [sys.executable, "-m", "echotrial.engine.worker", self._folder.name, str(places)],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            env=single_threaded_environment(),
        )

    def _listening(self, name: str) -> socket.socket:
        found = socket.socket(socket.AF_UNIX)
        found.bind(str(Path(self._folder.name) / name))
        found.listen()
        found.settimeout(_START_S)
        return found

    @property
    def places(self) -> int:
        """How many children there can be."""
        return len(self._sockets)

    @property
    def alive(self) -> bool:
        """Whether it still is there."""
        return self._process.poll() is None

    def hatch(self, place: int) -> tuple[Connection, int, str]:
        """Wait for a child; its connection, its process id, and how the one before it ended.

        Raises
        ------
        NotToBeHad
            None comes.
        """
        try:
            accepted, _ = self._sockets[place].accept()
        except TimeoutError:
            raise NotToBeHad(f"a worker process does not start: {self._last_words()}") from None
        accepted.setblocking(True)
        self._has_hatched = True
        link = Connection(accepted.detach())
        child, how_the_last_one_ended = json.loads(link.recv_bytes())
        link.send_bytes(json.dumps(sys.path).encode())
        return link, child, how_the_last_one_ended

    def forget(self, place: int, child: int) -> None:
        """Delete what a child that was ended has left for nobody to take."""
        for path in Path(self._folder.name).glob(f"{place}-{child}-*"):
            path.unlink(missing_ok=True)

    def close(self) -> None:
        """End it and its children."""
        for kept in self.kept.values():
            kept.link.close()
        if self._has_hatched:  # else nobody needed it, and nobody should wait for its imports
            with suppress(OSError, subprocess.TimeoutExpired):
                self._process.communicate(timeout=5)
        self._process.kill()
        self._process.wait()
        for found in self._sockets:
            found.close()
        self._folder.cleanup()

    def _last_words(self) -> str:
        self._process.kill()
        _, errors = self._process.communicate()
        lines = errors.decode(errors="replace").strip().splitlines()
        return lines[-1] if lines else f"no answer within {_START_S:g} s"


_idle: list[Nest] = []
_lock = threading.Lock()


def borrow(places: int) -> Nest:
    """A nest with that many places or more, an idle one where there is one."""
    with _lock:
        for nest in list(_idle):
            _idle.remove(nest)
            if nest.alive and nest.places >= places:
                return nest
            nest.close()
    return Nest(places)


def warm(places: int) -> None:
    """Let a nest begin to import, because a run will soon want it."""
    give_back(borrow(places))


def give_back(nest: Nest) -> None:
    """Keep a nest for the next run."""
    with _lock:
        _idle.append(nest)


@atexit.register
def _close_all() -> None:
    with _lock:
        while _idle:
            _idle.pop().close()
