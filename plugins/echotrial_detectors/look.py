"""Where and how candidates are looked for in each record: noise, level, between which samples."""

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.kernels import COUNTS_NOTHING
from echotrial_detectors.noise import Stretches, quiet_sigma
from echotrial_detectors.peaks import strongest_bits


@dataclass(frozen=True, eq=False)
class Look:
    """Where and how candidates are looked for, arrays (n,), in samples.

    Attributes
    ----------
    first, last
        Between these samples.
    behind
        From here on the interface echo's tail is over.
    sigma, level
        Noise of the signal, and what a candidate must exceed.
    separation
        Of extrema nearer to each other than this the greater one counts.
    loudest, length
        As in `noise.Survey`: where the signal is loud.
    """

    first: NDArray[np.int64]
    last: NDArray[np.int64]
    behind: NDArray[np.int64]
    sigma: NDArray[np.float64]
    level: NDArray[np.float64]
    separation: int
    loudest: NDArray[np.float32]
    length: int


def look(
    signal: NDArray[np.float32],
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    behind: NDArray[np.int64],
    least_sigma: float,
    share: float,
    separation: int,
    stretches: Stretches | None = None,
) -> Look:
    """Look at each record once.

    Parameters
    ----------
    signal
        (n, m), read-only.
    first, last, behind, separation
        As in `Look`.
    least_sigma, share
        The level is so many sigma, or this share of what is strongest between `behind` and `last`.
    stretches
        Those of the signal, where somebody has looked at them.
    """
    seen = Stretches.of(signal) if stretches is None else stretches
    sigma, level = np.empty((2, len(signal)))
    highest = np.empty(1, np.float32)
    _look(
        signal.view(np.int32), seen.spread.view(np.int32), seen.loudest.view(np.int32), seen.length,
        behind, last, least_sigma, share, highest, highest.view(np.int32), sigma, level,
    )  # fmt: skip
    return Look(first, last, behind, sigma, level, separation, seen.loudest, seen.length)


@numba.njit(**COUNTS_NOTHING)
def _look(
    bits: NDArray[np.int32],
    spread_bits: NDArray[np.int32],
    loudest: NDArray[np.int32],
    length: int,
    behind: NDArray[np.int64],
    last: NDArray[np.int64],
    least_sigma: float,
    share: float,
    highest: NDArray[np.float32],
    highest_bits: NDArray[np.int32],
    sigma: NDArray[np.float64],
    level: NDArray[np.float64],
) -> None:
    """Fill in `sigma` and `level`; bits are those of the values themselves."""
    for row in range(bits.shape[0]):
        sigma[row] = quiet_sigma(spread_bits[row], highest)
        highest_bits[0] = strongest_bits(bits[row], loudest[row], length, behind[row], last[row])
        # NaN, where a sample is no number, stays NaN
        noise, strong = least_sigma * sigma[row], share * float(highest[0])
        level[row] = strong if strong > noise else noise
