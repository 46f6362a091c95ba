"""Noise-free records from their parameters, with what the truth needs of them."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from echotrial_corpora.chain import Chain, chain_of
from echotrial_corpora.digitise import excite
from echotrial_corpora.draw import gaps_of
from echotrial_corpora.generate import BATCH, spectra

if TYPE_CHECKING:
    from echotrial_corpora.spec import CorpusSpec

#: Back-wall orders whose times the truth states.
ORDERS = 12


@dataclass(frozen=True, eq=False)
class Response:
    """Noise-free records of a tile, before gain, and what the truth needs of them.

    Attributes
    ----------
    clean
        (n, m) relative to the bare tip's pulse.
    tail
        (n, n_fft // 2) envelope of the tail at every second sample.
    terms
        (n, ORDERS, coarse bins) spectra of single back-wall echoes.
    """

    chain: Chain
    params: np.ndarray
    gaps: NDArray[np.float64]
    clean: NDArray[np.float64]
    tail: NDArray[np.float64]
    tail_spectrum: NDArray[np.complex128]
    terms: NDArray[np.complex128]
    every: int


def respond(
    spec: "CorpusSpec", params: np.ndarray, grain: NDArray[np.complex128] | None = None
) -> Response:
    """Noise-free records of the given parameters."""
    chain = chain_of(spec)
    grid, n = chain.grid, params.size
    every = grid.coarser(shortest_period(spec))
    terms = np.empty((n, ORDERS, -(-grid.count // every)), np.complex128)
    gaps = gaps_of(chain, params)
    made, tail = spectra(chain, params, gaps, grain, every, terms)
    clean = np.empty((n, grid.samples))
    padded = np.zeros((min(n, BATCH), grid.n_fft // 2 + 1), np.complex128)
    for i in range(0, n, BATCH):
        some = made[i : i + BATCH]
        padded[: len(some), grid.first : grid.first + grid.count] = some
        whole = scipy.fft.irfft(padded[: len(some)], grid.n_fft, axis=1)
        np.multiply(whole[:, : grid.samples], grid.restore, out=clean[i : i + BATCH])
    if spec.excitation is not None:
        excite(params, grid.rate_hz, clean)
    return Response(chain, params, gaps, clean, envelope(chain, tail), tail, terms, every)


def shortest_period(spec: "CorpusSpec") -> float:
    """Time within which a single back-wall echo has come and gone, seconds."""
    probe = spec.probe
    ring = 4 * probe.ring.decay.high if probe.ring else 0.0
    recorded = 2 * probe.echo.array.size / probe.echo.rate if probe.echo else 0.0
    return max(10 / probe.bandwidth.low + ring + 10 * probe.decay.high, recorded)


def envelope(chain: Chain, spectrum: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Envelope at every second sample of the grid's period, (n, n_fft // 2).

    The bins in band fit into half the period's length, so the shorter transform loses nothing;
    where they start only turns the phase.
    """
    grid, n, half = chain.grid, len(spectrum), chain.grid.n_fft // 2
    restore = np.exp(grid.damping * np.arange(half) * 2 / grid.rate_hz)
    found = np.empty((n, half))
    padded = np.zeros((min(n, BATCH), half), np.complex128)
    for i in range(0, n, BATCH):
        some = spectrum[i : i + BATCH]
        padded[: len(some), : grid.count] = some
        # an inverse of half the length divides by half as much: the analytic signal's factor two
        np.abs(scipy.fft.ifft(padded[: len(some)], axis=1), out=found[i : i + BATCH])
    found *= restore
    return found
