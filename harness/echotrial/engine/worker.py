"""A process that forks children to run detectors, and another one whenever a child dies.

The imports are paid for once, so a detector that kills its process costs some milliseconds, not
a second. A child lives in a session of its own without terminal, with a limit on its memory.
When the process that started all this is gone, standard input ends here, and so does all of it.
"""

import importlib
import json
import os
import resource
import select
import signal
import socket
import sys
from multiprocessing.connection import Connection
from pathlib import Path

from echotrial.engine.deposit import deposited
from echotrial.engine.job import Job
from echotrial.engine.sealed import adder
from echotrial.engine.work import Bench, OutOfMemory, words
from echotrial.errors import EchotrialError
from echotrial.memory import give_back

_POLL_S = 0.02


#: Imported before the first fork: what every child needs.
_PRELOADED = "echotrial.corpus.store"
#: Imported before the second one: detectors that kill their process may need it each time, and it
#: takes a third of a second.
_IF_ONE_DIES = "scipy.signal"


def main(folder: str, places: int) -> None:
    """Keep one child alive at each place until the starter is gone."""
    importlib.import_module(_PRELOADED)
    adder()  # with its first kernel numba sets itself up: a quarter of a second
    children = {_born(f"{folder}/{place}", ""): f"{folder}/{place}" for place in range(places)}
    while True:
        ready, _, _ = select.select([0], [], [], _POLL_S)
        if ready:
            for child in children:
                os.kill(child, signal.SIGKILL)
            os._exit(0)
        dead, status = os.waitpid(-1, os.WNOHANG)
        if dead in children:
            importlib.import_module(_IF_ONE_DIES)
            address = children.pop(dead)
            children[_born(address, _told(os.waitstatus_to_exitcode(status)))] = address


def _born(address: str, how_the_last_one_ended: str) -> int:
    child = os.fork()
    if child == 0:
        _live(address, how_the_last_one_ended)
    return child


def _told(code: int) -> str:
    if code >= 0:
        return f"its process ended with exit code {code}"
    try:
        return f"its process was killed by {signal.Signals(-code).name}"
    except ValueError:
        return f"its process was killed by signal {-code}"


def _live(address: str, how_the_last_one_ended: str) -> None:
    """Be the child: connect, take a job and spans of it, until the other side hangs up."""
    try:
        _detach()
        with _connected(address) as link:
            link.send_bytes(json.dumps([os.getpid(), how_the_last_one_ended]).encode())
            sys.path[:] = json.loads(link.recv_bytes())
            _serve(link, Path(f"{address}-{os.getpid()}"))
    except (EOFError, OSError):
        pass
    finally:
        os._exit(0)


def _detach() -> None:
    os.setsid()
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    nowhere = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(nowhere, stream)
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _connected(address: str) -> Connection:
    link = socket.socket(socket.AF_UNIX)
    link.connect(address)
    return Connection(link.detach())


def _serve(link: Connection, place: Path) -> None:
    """Answer one message after the other; files of its own begin as `place` does."""
    bench, room, count = None, 0, 0

    def tell(phase: str, detector: int, records: int) -> None:
        link.send(("doing", (phase, detector, records)))

    try:
        while True:
            asked = link.recv()
            if isinstance(asked, Job):
                bench = None  # its detectors and their job's limit go before the next one opens
                _lift_limit()
                give_back()
                bench = Bench(asked, tell=tell, own_process=True)
                adder()  # what has to be compiled and opened before memory is limited
                asked.source.batch(0, 1)
                room = _limit_memory(asked.limits.memory_bytes)
            elif bench is not None:
                span, detectors, warm = asked
                found = bench.read(span, detectors, warm=warm)
                count += 1
                deposit = deposited(found, place.with_name(f"{place.name}-{count}.npy"))
                link.send(("done", *deposit, _address_space() > room))
    except OutOfMemory as error:
        link.send(("fault", str(error)))
    except EchotrialError as error:
        link.send(("error", error))
    except (EOFError, OSError):
        raise
    except Exception as error:
        link.send(("error", RuntimeError(f"{type(error).__name__}: {words(error)}")))


def _lift_limit() -> None:
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (hard, hard))


def _limit_memory(more: int) -> int:
    """Limit the address space to what it is now and `more`; return where it is half used up."""
    now = _address_space()
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (now + more, hard))
    return now + more // 2


def _address_space() -> int:
    try:
        with open("/proc/self/statm", encoding="ascii") as file:
            return int(file.read().split()[0]) * resource.getpagesize()
    except OSError:  # not Linux: the peak of resident memory has to do
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
