"""Receiver noise of each record: coloured as the receiver's band is, or cut from a recording."""

from typing import TYPE_CHECKING

import numpy as np
import scipy.fft
from numba import njit
from numpy.typing import NDArray

from echotrial_corpora.philox import normals, stream_of

if TYPE_CHECKING:
    from echotrial_corpora.chain import Chain


@njit(cache=True, nogil=True, error_model="numpy")
def _spectra(key0, key1, stream, start, shape, found):  # type: ignore[no-untyped-def]
    drawn = np.empty(2 * shape.size)
    for i in range(found.shape[0]):
        normals(key0, key1, stream, np.uint64(start + i), drawn)
        for k in range(shape.size):
            found[i, k] = shape[k] * complex(drawn[2 * k], drawn[2 * k + 1])


@njit(cache=True, nogil=True)
def _cut(recording, places, found):  # type: ignore[no-untyped-def]
    for i in range(found.shape[0]):
        first = int(places[i] * recording.size)
        for t in range(found.shape[1]):
            found[i, t] = recording[(first + t) % recording.size]


def noise(
    chain: "Chain", key: tuple[np.uint64, np.uint64], start: int, params: np.ndarray
) -> NDArray[np.float64]:
    """Noise of rms 1 for each record from `start` on, (n, m)."""
    n, m = params.size, chain.grid.samples
    if chain.noise_record.size:
        found = np.empty((n, m))
        _cut(chain.noise_record, params["noise_at"], found)
        return found
    drawn = np.empty((n, m // 2 + 1), np.complex128)
    _spectra(key[0], key[1], stream_of("noise"), start, chain.noise_shape, drawn)
    return np.asarray(scipy.fft.irfft(drawn, m, axis=1, overwrite_x=True))
