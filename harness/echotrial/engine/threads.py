"""One thread a process: workers share the cores, and a product's last bits hang on its threads."""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

from threadpoolctl import threadpool_limits

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
    with threadpool_limits(1):
        if numba:
            numba.set_num_threads(1)
        try:
            yield
        finally:
            if numba:
                numba.set_num_threads(before)
