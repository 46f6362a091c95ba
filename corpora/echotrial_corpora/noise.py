"""Receiver noise of each record: coloured as the receiver's band is, or cut from a recording."""

from typing import TYPE_CHECKING

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from echotrial_corpora.streams import bulk

if TYPE_CHECKING:
    from echotrial_corpora.chain import Chain


def noise(chain: "Chain", names: tuple[object, ...], params: np.ndarray) -> NDArray[np.float32]:
    """Noise of rms 1 for each record of the tile called `names`, (n, m).

    Single precision: its rounding is far below one step of any digitiser.
    """
    n, m = params.size, chain.grid.samples
    if chain.noise_record.size:
        size = chain.noise_record.size
        first = (params["noise_at"] * size).astype(np.intp)
        cut = chain.noise_record[(first[:, None] + np.arange(m)) % size]
        return np.asarray(cut, dtype=np.float32)
    pairs = bulk(*names, "noise").standard_normal((n, 2 * chain.noise_shape.size), np.float32)
    drawn = pairs.view(np.complex64)
    drawn *= chain.noise_shape.astype(np.float32)
    return np.asarray(scipy.fft.irfft(drawn, m, axis=1, overwrite_x=True))
