"""Transforms of a batch in portions that stay in the processor's cache."""

from collections.abc import Iterator

import numpy as np
import scipy
from echotrial.ascan import Batch
from numpy.typing import NDArray

#: Records in one portion: some 0.5 MB of spectra of 1024 samples.
TILE = 64


def tiles(n: int) -> Iterator[slice]:
    """Slices that cover n records, `TILE` at a time."""
    return (slice(start, min(start + TILE, n)) for start in range(0, n, TILE))


def filtered(batch: Batch, transfer: NDArray[np.complex64]) -> NDArray[np.float32]:
    """Every record through a filter, (n, m).

    Parameters
    ----------
    batch
        Its shared spectrum is used; a record with an infinity comes out as NaN.
    transfer
        One-sided, (n_fft // 2 + 1,).
    """
    n, m = batch.samples.shape
    found = np.empty((n, m), np.float32)
    product = np.empty((min(TILE, n), transfer.size), np.complex64)
    for rows in tiles(n):
        part = product[: rows.stop - rows.start]
        with np.errstate(invalid="ignore"):
            np.multiply(batch.spectrum[rows], transfer, out=part)
        found[rows] = scipy.fft.irfft(part, n=batch.n_fft, axis=1)[:, :m]
    return found


def filtered_analytic(batch: Batch, transfer: NDArray[np.float32]) -> NDArray[np.complex64]:
    """Analytic signal of every record through a real filter, (n, m)."""
    n, m = batch.samples.shape
    found = np.empty((n, m), np.complex64)
    one_sided = np.zeros((min(TILE, n), batch.n_fft), np.complex64)
    for rows in tiles(n):
        part = one_sided[: rows.stop - rows.start]
        with np.errstate(invalid="ignore"):
            np.multiply(batch.spectrum[rows], 2 * transfer, out=part[:, : transfer.size])
        found[rows] = scipy.fft.ifft(part, axis=1)[:, :m]
    return found
