"""Waveforms that nobody can write to, and a tally that notices who did all the same."""

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import Any

import numba
import numpy as np
from numpy.typing import NDArray

from echotrial.ascan import Batch
from echotrial.setup import Setup

Bits = NDArray[np.uint32]


def locked(array: NDArray[Any]) -> NDArray[Any]:
    """The same memory, read-only for good: numpy refuses to make this array writeable again."""
    owned = np.ascontiguousarray(array)
    if owned.size == 0:
        return owned
    view = owned.reshape(-1).view(np.uint8).data.toreadonly()
    return np.frombuffer(view, dtype=owned.dtype).reshape(owned.shape)


def sealed(batch: Batch, setup: Setup) -> Batch:
    """The same batch with its samples and start times locked, and with a locked set-up."""
    return Batch(locked(batch.samples), batch.rate_hz, locked(batch.start_s), setup)


def sealed_setup(setup: Setup) -> Setup:
    """The same set-up with the samples of its reference echo locked."""
    echo = setup.reference_echo
    if echo is None:
        return setup
    return setup.model_copy(update={"reference_echo": replace(echo, samples=locked(echo.samples))})


def tally(batch: Batch) -> int:
    """Sums over the bits of every row and every column, which writing past numpy's lock changes.

    A tenth of the cost of a checksum; reordering samples or records changes it too.
    """
    bits = batch.samples.view(np.uint32)
    sums = np.zeros(sum(bits.shape), np.uint32)
    adder()(bits, sums[: len(bits)], sums[len(bits) :])
    return hash((sums.tobytes(), batch.start_s.tobytes()))


def _summed(bits: Bits, rows: Bits, columns: Bits) -> None:
    """Both sums in one pass over the memory, which is what it costs."""
    for i in range(bits.shape[0]):
        own = np.uint32(0)
        for j in range(bits.shape[1]):
            own += bits[i, j]
            columns[j] += bits[i, j]
        rows[i] = own


@cache
def adder() -> Callable[[Bits, Bits, Bits], None]:
    """`_summed` as machine code, kept on disk unless numba finds no place to write to.

    Not made on import: a process that reads nothing would give 30 MB for it.
    """
    read_only = numba.types.Array(numba.uint32, 2, "C", readonly=True)
    signature = numba.void(read_only, numba.uint32[::1], numba.uint32[::1])
    made: Callable[[Bits, Bits, Bits], None]
    try:
        made = numba.njit(signature, cache=True)(_summed)
    except RuntimeError:
        made = numba.njit(signature)(_summed)
    return made
