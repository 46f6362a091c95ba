"""Noise-free records from their parameters, with what the truth needs of them."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from echotrial_corpora.chain import Chain, chain_of
from echotrial_corpora.digitise import excite
from echotrial_corpora.draw import gaps_of
from echotrial_corpora.generate import spectra

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
    total = np.zeros((n, grid.n_fft // 2 + 1), np.complex128)
    terms = np.empty((n, ORDERS, -(-grid.count // every)), np.complex128)
    gaps = gaps_of(chain, params)
    made, tail = spectra(chain, params, gaps, grain, every, terms)
    total[:, grid.first : grid.first + grid.count] = made
    clean = scipy.fft.irfft(total, grid.n_fft, axis=1)[:, : grid.samples] * grid.restore
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
    half = chain.grid.n_fft // 2
    padded = np.zeros((spectrum.shape[0], half), np.complex128)
    padded[:, : chain.grid.count] = spectrum
    # an inverse of half the length divides by half as much: the analytic signal's factor of two
    found = np.abs(scipy.fft.ifft(padded, axis=1, overwrite_x=True))
    return np.asarray(found * np.exp(chain.grid.damping * np.arange(half) * 2 / chain.grid.rate_hz))
