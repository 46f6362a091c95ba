"""One thread a process: workers share the cores, and a product's last bits hang on its threads."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from typing import Final

from threadpoolctl import ThreadpoolController

_VARIABLES: Final = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "BLIS_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
    "NUMBA_NUM_THREADS",
)


def single_threaded_environment() -> dict[str, str]:
    """The environment of a process in which no library starts threads; imports resolve as here."""
    paths = [path or os.getcwd() for path in sys.path]
    return {
        **os.environ,
        **dict.fromkeys(_VARIABLES, "1"),
        "PYTHONPATH": os.pathsep.join(dict.fromkeys(paths)),
    }


@contextmanager
def single_threaded() -> Iterator[None]:
    """Keep BLAS and numba in this process to one thread for a while."""
    numba = sys.modules.get("numba")
    before = numba.get_num_threads() if numba else 1
    with _controller(len(sys.modules)).limit(limits=1):
        if numba:
            numba.set_num_threads(1)
        try:
            yield
        finally:
            if numba:
                numba.set_num_threads(before)


@lru_cache(maxsize=1)
def _controller(_: int) -> ThreadpoolController:
    """Finds the thread pools of this process, anew only when modules were imported since."""
    return ThreadpoolController()
