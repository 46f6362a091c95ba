"""Transforms of a batch in portions that stay in the processor's cache."""

from collections.abc import Iterator

import numba
import numpy as np
import scipy
from echotrial.ascan import Batch
from numpy.typing import NDArray

from echotrial_detectors.noise import Survey, Surveyor

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
    for rows, part in _portions(batch, transfer):
        found[rows] = part[:, :m]
    return found


def surveyed(
    batch: Batch, transfer: NDArray[np.complex64], stop: int | None = None
) -> tuple[NDArray[np.float32], Survey]:
    """As `filtered`, and the survey of it; from sample `stop` on, if given, there is nothing."""
    n, m = batch.samples.shape
    end = m if stop is None else stop
    found, surveyor = np.empty((n, m), np.float32), Surveyor(n, m)
    found[:, end:] = 0
    for rows, part in _portions(batch, transfer):
        found[rows, :end] = part[:, :end]
        surveyor.look(found[rows], rows)
    return found, surveyor.survey()


def _portions(
    batch: Batch, transfer: NDArray[np.complex64]
) -> Iterator[tuple[slice, NDArray[np.float32]]]:
    """Rows, and these records through a filter, (rows, n_fft)."""
    product = np.empty((min(TILE, len(batch)), transfer.size), np.complex64)
    for rows, spectrum in batch.spectra(TILE):
        part = product[: len(spectrum)]
        _multiply(spectrum, transfer, part)
        yield rows, scipy.fft.irfft(part, n=batch.n_fft, axis=1)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _multiply(
    spectrum: NDArray[np.complex64], transfer: NDArray[np.complex64], out: NDArray[np.complex64]
) -> None:
    for row in range(out.shape[0]):
        line, into = spectrum[row], out[row]
        for i in range(transfer.size):
            into[i] = line[i] * transfer[i]


def filtered_analytic(batch: Batch, transfer: NDArray[np.float32]) -> NDArray[np.complex64]:
    """Analytic signal of every record through a real filter, (n, m)."""
    n, m = batch.samples.shape
    found = np.empty((n, m), np.complex64)
    one_sided = np.zeros((min(TILE, n), batch.n_fft), np.complex64)
    for rows, spectrum in batch.spectra(TILE):
        part = one_sided[: len(spectrum)]
        with np.errstate(invalid="ignore"):
            np.multiply(spectrum, 2 * transfer, out=part[:, : transfer.size])
        found[rows] = scipy.fft.ifft(part, axis=1)[:, :m]
    return found
