"""A batch, filtered in portions that stay in the processor's cache."""

from collections.abc import Iterator
from dataclasses import dataclass

import numba
import numpy as np
import scipy
from echotrial.ascan import Batch
from numpy.typing import NDArray

from echotrial_detectors.fir import NO_TAPS, Fir, filtered
from echotrial_detectors.kernels import COUNTS_NOTHING
from echotrial_detectors.noise import Stretches, fixed

#: Records in one portion: some 0.8 MB of spectra of 1024 samples.
TILE = 192


@dataclass(frozen=True, eq=False)
class Portion:
    """Some records of a batch, and which they are.

    Attributes
    ----------
    rows
        Their numbers.
    signal
        What of them echoes are looked for in, (n, m); read-only.
    quadrature
        That of the signal, (n, m), for who asked for it; else empty.
    stretches
        Those of the signal, where who made it looked at them while they were at hand.
    """

    rows: slice
    signal: NDArray[np.float32]
    quadrature: NDArray[np.float32]
    stretches: Stretches | None = None


NO_QUADRATURE = np.empty((0, 0), np.float32)


def tiles(n: int) -> Iterator[slice]:
    """Slices that cover n records, `TILE` at a time."""
    return (slice(start, min(start + TILE, n)) for start in range(0, n, TILE))


def portions(
    batch: Batch,
    transfer: NDArray[np.complex64],
    stop: int | None = None,
    fir: Fir = NO_TAPS,
) -> Iterator[Portion]:
    """Every record through a filter, portion by portion.

    Parameters
    ----------
    batch
        Its shared spectrum is used; a record with an infinity comes out as NaN, by taps where they
        reach it.
    transfer
        One-sided, (n_fft // 2 + 1,).
    stop
        From this sample on, if given, there is nothing.
    fir
        Taps that do for it, if any.
    """
    n, m = batch.samples.shape
    if fir.weights.size > 0:
        # one for all portions, so that it stays at hand
        room, padded = (
            np.empty((min(TILE, n), m), np.float32),
            np.zeros(m + fir.weights.size, np.float32),
        )
        for rows in tiles(n):
            part = room[: min(rows.stop, n) - rows.start]
            filtered(fixed(batch.samples[rows]), fir, padded, part)
            if stop is not None:
                part[:, stop:] = 0
            yield Portion(rows, fixed(part), NO_QUADRATURE)
        return
    for rows, part in _portions(batch, transfer):
        if stop is not None:
            part[:, stop:] = 0
        yield Portion(rows, fixed(part[:, :m]), NO_QUADRATURE)


def _portions(
    batch: Batch, transfer: NDArray[np.complex64]
) -> Iterator[tuple[slice, NDArray[np.float32]]]:
    """Rows, and these records through a filter, (rows, n_fft)."""
    product = np.empty((min(TILE, len(batch)), transfer.size), np.complex64)
    for rows, spectrum in batch.spectra(TILE):
        part = product[: len(spectrum)]
        _multiply(spectrum, transfer, part)
        yield rows, scipy.fft.irfft(part, n=batch.n_fft, axis=1)


@numba.njit(**COUNTS_NOTHING)
def _multiply(
    spectrum: NDArray[np.complex64], transfer: NDArray[np.complex64], out: NDArray[np.complex64]
) -> None:
    for row in range(out.shape[0]):
        line, into = spectrum[row], out[row]
        for i in range(transfer.size):
            into[i] = line[i] * transfer[i]


def analytic_portions(batch: Batch, transfer: NDArray[np.float32]) -> Iterator[Portion]:
    """Every record through a real filter, and its quadrature, portion by portion."""
    n, m = batch.samples.shape
    one_sided = np.zeros((min(TILE, n), batch.n_fft), np.complex64)
    for rows, spectrum in batch.spectra(TILE):
        part = one_sided[: len(spectrum)]
        with np.errstate(invalid="ignore"):
            np.multiply(spectrum, 2 * transfer, out=part[:, : transfer.size])
        analytic = scipy.fft.ifft(part, axis=1)[:, :m]
        beside = np.ascontiguousarray(analytic.imag, dtype=np.float32)
        yield Portion(rows, fixed(np.asarray(analytic.real, np.float32)), beside)
