"""Transforms of a batch in portions that stay in the processor's cache."""

from collections.abc import Iterator

import numba
import numpy as np
import scipy
from echotrial.ascan import Batch
from numpy.typing import NDArray

from echotrial_detectors.noise import Survey, sigma_of, stretches, survey_record

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
    found = np.empty((n, m), np.float32)
    length, spread, loudest = stretches(found)
    bits, loud = found.view(np.int32), loudest.view(np.int32)
    end = m if stop is None else stop
    for rows, part in _portions(batch, transfer):
        _keep(part, end, found[rows], bits[rows], length, spread[rows], loud[rows])
    return found, Survey(sigma_of(spread), loudest, length)


def _portions(
    batch: Batch, transfer: NDArray[np.complex64]
) -> Iterator[tuple[slice, NDArray[np.float32]]]:
    """Rows, and these records through a filter, (rows, n_fft).

    Where nobody has asked for the batch's spectrum yet, a portion of it is made, used and forgotten
    while it is in the cache: to write all of it down and read it again costs half as much as to
    make it.
    """
    shared = vars(batch).get("spectrum")
    product = np.empty((min(TILE, len(batch)), transfer.size), np.complex64)
    for rows in tiles(len(batch)):
        part = product[: rows.stop - rows.start]
        with np.errstate(invalid="ignore"):
            own = _spectrum(batch, rows) if shared is None else shared[rows]
            np.multiply(own, transfer, out=part)
        yield rows, scipy.fft.irfft(part, n=batch.n_fft, axis=1)


def _spectrum(batch: Batch, rows: slice) -> NDArray[np.complex64]:
    return np.asarray(scipy.fft.rfft(batch.samples[rows], n=batch.n_fft, axis=1))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _keep(
    part: NDArray[np.float32], stop: int, found: NDArray[np.float32], bits: NDArray[np.int32],
    length: int, spread: NDArray[np.float32], loudest: NDArray[np.int32],
) -> None:  # fmt: skip
    """Into `found` what there is before `stop`; survey it while it is at hand."""
    for row in range(found.shape[0]):
        line, out = part[row], found[row]
        for i in range(stop):
            out[i] = line[i]
        out[stop:] = 0
        survey_record(out, bits[row], length, spread[row], loudest[row])


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
