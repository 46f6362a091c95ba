"""Which samples of a record hold a flag: found sixty-four at a time.

Whether the next sample is a peak cannot be foreseen, so that a branch at each costs more than all
the arithmetic. A kernel therefore flags all samples first, a byte each, which runs many lanes wide;
sixty-four flags at a time are then packed into the bits of one word, whose zeros are counted.
"""

from typing import Any

import numba
import numpy as np
from llvmlite import ir
from numba import types
from numba.extending import intrinsic
from numpy.typing import NDArray

#: Flags looked at at a time: the bits of a word.
WORD = 64


def room(m: int) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """Room for the flags of m samples with a word before and after them, and for their places."""
    return np.empty((m // WORD + 3) * WORD, np.uint8), np.empty(m + 1, np.int64)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def flagged(flags: NDArray[np.uint8], count: int, places: NDArray[np.int64]) -> int:
    """Number and places, in order, of the flags (1, else 0) among the first `count`.

    `flags` is from `room`; what fills the last word up is set to 0.
    """
    flags[count : (count // WORD + 1) * WORD] = 0
    found = 0
    for begin in range(0, count + 1, WORD):
        word = packed(flags, begin)
        for _ in range(ones(word)):
            places[found] = begin + zeros_below(word)
            found += 1
            word &= word - np.uint64(1)
    return found


@numba.njit(cache=True, nogil=True, error_model="numpy")
def samples_after(flags: NDArray[np.uint8], i: int, most: int) -> int:
    """How many samples after sample i the next flag is, it itself counted; more than `most` = none.

    `flags` is from `room`, that of sample i at i + `WORD`.
    """
    word, far = packed(flags, i + WORD), 0
    while word == 0 and far < most:
        far += WORD
        word = packed(flags, min(i + WORD + far, flags.size - WORD))
    return far + int(zeros_below(word))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def samples_before(flags: NDArray[np.uint8], i: int, most: int) -> int:
    """How many samples lie between the last flag before sample i and it; as `samples_after`."""
    word, far = packed(flags, i), 0
    while word == 0 and far < most:
        far += WORD
        word = packed(flags, max(i - far, 0))
    return far + int(zeros_above(word))


def _pack(_: Any, flags: Any, begin: Any) -> Any:
    """`WORD` flags from a place on as bits, the first one the lowest; nobody checks the bounds."""

    def code(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        array, first = values
        data = context.make_array(signature.args[0])(context, builder, array).data
        eight = ir.IntType(8)
        several = ir.VectorType(eight, WORD)
        place = builder.bitcast(builder.gep(data, [first]), several.as_pointer())
        held = builder.icmp_unsigned("!=", builder.load(place, align=1), several(None))
        return builder.bitcast(held, ir.IntType(WORD))

    return types.uint64(flags, types.intp), code


def _counts(instruction: str, *more: ir.Constant) -> Any:
    """A function of a word that counts bits by an instruction of LLVM's."""

    def count(_: Any, word: Any) -> Any:
        def code(context: Any, builder: Any, signature: Any, values: Any) -> Any:
            return getattr(builder, instruction)(values[0], *more)

        return types.int64(types.uint64), code

    return intrinsic(count)


packed: Any = intrinsic(_pack)
_ALSO_OF_ZERO: Any = ir.Constant(ir.IntType(1), 0)
#: Bits of a word that are set; those below the lowest set one, above the highest one (`WORD`
#: where none is set).
ones = _counts("ctpop")
zeros_below = _counts("cttz", _ALSO_OF_ZERO)
zeros_above = _counts("ctlz", _ALSO_OF_ZERO)
