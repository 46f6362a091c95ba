"""How long a detector may keep the contract waiting, and how much is asked of a slow one."""

import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager


class OutOfTime(KeyboardInterrupt):
    """The time is over: an interrupt, so that nobody takes it for a crash of the detector."""


@contextmanager
def time_limit(seconds: float | None) -> Iterator[None]:
    """Raise `OutOfTime` where the block takes longer; None, and systems without alarms: no limit.

    The alarm comes between two steps of Python: a loop inside compiled code runs to its end first.
    """
    alarms = hasattr(signal, "setitimer") and threading.current_thread() is threading.main_thread()
    if seconds is None or not alarms:
        yield
        return

    def over(*_: object) -> None:
        raise OutOfTime

    before = signal.signal(signal.SIGALRM, over)
    signal.setitimer(signal.ITIMER_REAL, max(seconds, 1e-6))
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


class Budget:
    """So many seconds from now on, after which a check asks for less."""

    def __init__(self, seconds: float) -> None:
        self._end = time.monotonic() + seconds

    @property
    def spent(self) -> bool:
        """Whether they are over."""
        return time.monotonic() > self._end
