"""Receiver noise of each record: coloured as the receiver's band is, or cut from a recording."""

from typing import TYPE_CHECKING

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from echotrial_corpora.streams import bulk

if TYPE_CHECKING:
    from echotrial_corpora.chain import Chain


def noise(chain: "Chain", names: tuple[object, ...], params: np.ndarray) -> NDArray[np.float64]:
    """Noise of rms 1 for each record of the tile called `names`, (n, m)."""
    n, m = params.size, chain.grid.samples
    if chain.noise_record.size:
        size = chain.noise_record.size
        first = (params["noise_at"] * size).astype(np.intp)
        return np.asarray(chain.noise_record[(first[:, None] + np.arange(m)) % size])
    pairs = bulk(*names, "noise").standard_normal((n, 2 * chain.noise_shape.size))
    drawn = pairs.view(np.complex128)
    drawn *= chain.noise_shape
    return np.asarray(scipy.fft.irfft(drawn, m, axis=1, overwrite_x=True))
