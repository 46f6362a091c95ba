"""Which samples of a record hold a flag: found eight at a time.

Whether the next sample is a peak cannot be foreseen, so that a branch at each costs more than all
the arithmetic. A kernel therefore flags all samples first, which runs many lanes wide, and then
looks at eight flags at a time; most eights have none.
"""

import numba
import numpy as np
from numpy.typing import NDArray

#: Flags looked at at a time: the bytes of an int64.
WORD = 8


def room(m: int) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """Room for the flags of m samples and what fills the last eight up, and for their places."""
    return np.empty((m // WORD + 1) * WORD, np.uint8), np.empty(m + WORD, np.int64)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def flagged(flags: NDArray[np.uint8], count: int, places: NDArray[np.int64]) -> int:
    """Number and places, in order, of the flags (1, else 0) among the first `count`.

    `flags` is from `room`; what fills the last eight up is set to 0.
    """
    flags[count : (count // WORD + 1) * WORD] = 0
    words, found = flags.view(np.int64), 0
    for word in range(count // WORD + 1):
        if words[word] != 0:
            for i in range(word * WORD, word * WORD + WORD):
                places[found] = i
                found += flags[i]
    return found
