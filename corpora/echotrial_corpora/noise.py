"""Receiver noise of each record: coloured as the receiver's band is, or cut from a recording."""

# mypy: disable-error-code="no-untyped-def, no-untyped-call"

from typing import TYPE_CHECKING

import numpy as np
import scipy.fft
from numba import njit
from numpy.typing import NDArray

from echotrial_corpora.streams import stream

if TYPE_CHECKING:
    from echotrial_corpora.chain import Chain


@njit(cache=True, nogil=True)
def _cut(recording, places, found):
    for i in range(found.shape[0]):
        first = int(places[i] * recording.size)
        for t in range(found.shape[1]):
            found[i, t] = recording[(first + t) % recording.size]


def noise(chain: "Chain", names: tuple[object, ...], params: np.ndarray) -> NDArray[np.float64]:
    """Noise of rms 1 for each record of the tile called `names`, (n, m)."""
    n, m = params.size, chain.grid.samples
    if chain.noise_record.size:
        found = np.empty((n, m))
        _cut(chain.noise_record, params["noise_at"], found)
        return found
    pairs = stream(*names, "noise").standard_normal((n, 2 * chain.noise_shape.size))
    drawn = pairs.view(np.complex128) * chain.noise_shape
    return np.asarray(scipy.fft.irfft(drawn, m, axis=1, overwrite_x=True))
