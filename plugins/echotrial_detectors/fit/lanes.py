"""What the Newton steps know of each bin, laid out for a processor that takes several at once.

Bins stand in blocks of `LANES`; a block holds one row of `LANES` numbers for each quantity. The
last block is filled up with bins in which there is neither pulse nor record.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.fit.spectra import Bins

LANES = 16
#: Rows of a block: pulse, imaginary frequency, loss law and beam law, real and imaginary parts.
PULSE, FREQUENCY, LAW, BEAM, ROWS = 0, 2, 3, 5, 7

_Complex = NDArray[np.complex128]


@dataclass(frozen=True)
class Table:
    """Every `stride`-th bin of a gate.

    Attributes
    ----------
    known
        float64, blocks of `ROWS` rows one after the other.
    blocks
        How many.
    damping, first, step
        The complex frequencies are damping + j (first + i step).
    freedom
        Residual energy over this is the variance of the noise.
    stride
        Bins of the gate from one to the next.
    """

    known: NDArray[np.float64]
    blocks: int
    damping: float
    first: float
    step: float
    freedom: float
    stride: int

    @classmethod
    def of(cls, bins: Bins, freedom: float, *, stride: int = 1, twice: bool = False) -> "Table":
        """Lay out a gate's bins, under their damping or `twice` as much."""
        pulse, s = (bins.pulse_twice, bins.s_twice) if twice else (bins.pulse, bins.s)
        pulse, s, law = pulse[::stride], s[::stride], bins.law[:, ::stride]
        rows = [pulse.real, pulse.imag, s.imag]
        rows += [law[0].real, law[0].imag, law[1].real, law[1].imag]
        step = float(s[1].imag - s[0].imag)
        share = s.size / bins.s.size
        known = in_blocks(np.array(rows))
        # Frequencies go on evenly: their delays are made by recurrence.
        blocks = known.size // (ROWS * LANES)
        frequency = known.reshape(blocks, ROWS, LANES)[:, FREQUENCY]
        frequency[:] = s[0].imag + step * np.arange(blocks * LANES).reshape(blocks, LANES)
        return cls(known, blocks, float(s[0].real), float(s[0].imag), step, freedom * share, stride)

    def records(self, y: _Complex) -> NDArray[np.float64]:
        """Spectra (n, m) in the same layout, two rows a block: (n, 2 blocks LANES)."""
        few = y[:, :: self.stride]
        return in_blocks(np.stack([few.real, few.imag], axis=1))


def in_blocks(rows: NDArray[np.float64]) -> NDArray[np.float64]:
    """(..., r, m) with bins last to (..., blocks r LANES), filled up with zeros."""
    *outer, r, m = rows.shape
    blocks = -(-m // LANES)
    padded = np.zeros((*outer, r, blocks * LANES))
    padded[..., :m] = rows
    turned = np.moveaxis(padded.reshape(*outer, r, blocks, LANES), -2, -3)
    return np.ascontiguousarray(turned).reshape(*outer, r * blocks * LANES)
