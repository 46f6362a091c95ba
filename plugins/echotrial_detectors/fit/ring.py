"""A probe whose ring-down is not that of its reference echo: the pulse becomes an unknown.

What the pulse sets off in the probe decays as exp(-t/tau) cos(2 pi f t), so that the pulse's
spectrum is that of the reference echo times 1 + H, H a sum of poles in the complex frequency. All
poles that a probe may have span a space of few dimensions (its principal axes are found);
coefficients in it are as small as the axes are short. For one wall, they and the
amplitude follow from linear least squares (Golub and Pereyra, SIAM J. Numer. Anal. 10 (1973) 413;
from memory); dividing the record's spectrum by 1 + H undoes the ring.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from echotrial_detectors.fit.spectra import Bins
from echotrial_detectors.fit.stack import Stack, answer

#: Ring frequencies over the centre frequency, and decays in periods, that a probe may have.
FREQUENCIES, DECAYS = np.linspace(0.6, 1.3, 29), np.geomspace(1.5, 8.0, 8)
DIMENSIONS = 8
#: Rows of records in one matrix product: a fixed size, so that results hang on no batch size.
TILE = 32
#: Scale of a ring-down's amplitude over that of the pulse (root of their energies).
LEVEL = 0.2

_Complex = NDArray[np.complex128]
_Real = NDArray[np.float64]


@dataclass(frozen=True)
class Ring:
    """What may ring on.

    Attributes
    ----------
    bins
        Pulse and complex frequencies.
    rows
        (k + 1, m): the reference echo's spectrum, and that of each part of a ring-down.
    products
        (m, 2 (k + 1)^2): of each row's conjugate with each row, real and imaginary parts.
    scale
        (k,): standard deviation expected of the parts' coefficients.
    """

    bins: Bins
    rows: _Complex
    products: _Real
    scale: _Real

    @classmethod
    def of(cls, bins: Bins) -> "Ring":
        """Everything that `FREQUENCIES` and `DECAYS` span, to `DIMENSIONS`."""
        poles = (2j * np.pi * FREQUENCIES[:, None] - 1 / DECAYS).ravel()
        rings = bins.pulse / (bins.s - poles[:, None])
        rings /= np.linalg.norm(rings, axis=1, keepdims=True)
        most = rings.shape[1] - DIMENSIONS, rings.shape[1] - 1
        squares, parts = scipy.linalg.eigh(rings.conj().T @ rings, subset_by_index=most)
        rows = np.concatenate([bins.pulse[None], parts.conj().T])
        scale = LEVEL * np.linalg.norm(bins.pulse) * np.sqrt(squares / len(rings))
        products = (rows.conj()[:, None] * rows).reshape(-1, rows.shape[1])
        return cls(bins, rows, np.ascontiguousarray(products.T).view(np.float64), scale)

    def answer(self, theta: _Real, film: NDArray[np.bool_], stack: Stack) -> _Complex:
        """What each of (j, 6) walls or films makes of a pulse, (j, m); see `stack.answer`."""
        return answer(
            theta, np.where(film, 0.0, stack.couplant_wall), self.bins.s, self.bins.law, stack
        )

    def undone(self, y: _Complex, answer: _Complex, noise: _Real) -> tuple[_Complex, _Real]:
        """Records without the ring that explains them best, and what its size costs (-2 log).

        Parameters
        ----------
        y, answer
            (j, m) spectra; a record is a pulse times an answer.
        noise
            (j,) variance of the noise in each real or imaginary part of a bin.

        Returns
        -------
        spectra
            (j, m), of unit energy.
        cost
            (j,).
        """
        onto = in_tiles(y * answer.conj(), self.rows.conj().T)
        side = len(self.rows)
        power = answer.real**2 + answer.imag**2
        gram = in_tiles(power, self.products).view(np.complex128).reshape(-1, side, side)
        alone = np.maximum(onto[:, 0].real / gram[:, 0, 0].real, 1e-9)
        within, across = gram[:, 1:, 1:].copy(), gram[:, 1:, 0]
        diagonal = np.arange(side - 1)
        within[:, diagonal, diagonal] += noise[:, None] / (alone[:, None] * self.scale) ** 2
        both = np.linalg.solve(within, np.stack([onto[:, 1:], across], axis=2))
        shared = np.einsum("jk,jkc->jc", across.conj(), both).real
        height = (onto[:, 0].real - shared[:, 0]) / (gram[:, 0, 0].real - shared[:, 1])
        height = np.where(height > 0, height, alone)
        parts = both[..., 0] / height[:, None] - both[..., 1]
        undone = y / (1 + in_tiles(parts, self.rows[1:] / self.rows[0]))
        cost = np.sum(np.abs(parts / self.scale) ** 2, axis=1)
        return undone / np.linalg.norm(undone, axis=1, keepdims=True), cost


def in_tiles(left: NDArray[Any], right: NDArray[Any]) -> NDArray[Any]:
    """Matrix product, `TILE` rows of `left` at a time."""
    n, right = len(left), np.ascontiguousarray(right)
    found = np.empty((n, right.shape[1]), dtype=np.result_type(left, right))
    tile = np.zeros((TILE, left.shape[1]), dtype=left.dtype)
    for first in range(0, n, TILE):
        part = left[first : first + TILE]
        tile[: len(part)] = part
        found[first : first + TILE] = (tile @ right)[: len(part)]
    return found
