"""Waveforms that nobody can write to, and a tally that notices who did all the same."""

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrial.ascan import Batch
from echotrial.setup import Setup


def _locked(array: NDArray[Any]) -> NDArray[Any]:
    """The same memory, read-only for good: numpy refuses to make this array writeable again."""
    owned = np.ascontiguousarray(array)
    if owned.size == 0:
        return owned
    view = owned.reshape(-1).view(np.uint8).data.toreadonly()
    return np.frombuffer(view, dtype=owned.dtype).reshape(owned.shape)


def sealed(batch: Batch, setup: Setup) -> Batch:
    """The same batch with its samples and start times locked, and with a locked set-up."""
    return Batch(_locked(batch.samples), batch.rate_hz, _locked(batch.start_s), setup)


def sealed_setup(setup: Setup) -> Setup:
    """The same set-up with the samples of its reference echo locked."""
    echo = setup.reference_echo
    if echo is None:
        return setup
    return setup.model_copy(update={"reference_echo": replace(echo, samples=_locked(echo.samples))})


def tally(batch: Batch) -> int:
    """Sums over the bits of every row and every column, which writing past numpy's lock changes.

    A tenth of the cost of a checksum; reordering samples or records changes it too.
    """
    bits = batch.samples.view(np.uint32 if batch.samples.shape[1] % 2 else np.uint64)
    sums = [bits.sum(axis=axis, dtype=bits.dtype).tobytes() for axis in (0, 1)]
    return hash((*sums, batch.start_s.tobytes()))
