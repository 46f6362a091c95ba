"""The quadrature of a band-limited signal: its Hilbert transform by a few taps, where they do.

An odd filter of 2 K taps turns cos(w i) into 2 sum_k c_k sin(w k) sin(w i). The taps that bring
that sum nearest to 1 over the band of an echo, by least squares, cost less than half a transform.
Near zero and half the sampling rate no such filter is right: there a transform has to do.
"""

import numba
import numpy as np
from numpy.typing import NDArray

#: Numbers of taps on either side that are tried, and how far off, root mean square over the energy
#: of an echo, their response may be.
TAPS = (4, 8, 12, 16)
OFF_AT_MOST = 3e-4
#: Weight of the frequencies where an echo has nothing: noise stands there, and taps stay small.
ELSEWHERE = 1e-7


def taps_for(spectrum: NDArray[np.complex128]) -> NDArray[np.float32]:
    """The taps c_1 ... c_K for echoes of a one-sided spectrum; none where few do not suffice.

    The signal's quadrature is sum_k c_k (x[i - k] - x[i + k]).
    """
    cycles = np.linspace(0, 0.5, spectrum.size)
    energy = np.abs(spectrum) ** 2 / np.sum(np.abs(spectrum) ** 2)
    weight = np.sqrt(energy + ELSEWHERE * energy.max())
    for count in TAPS:
        response = 2 * np.sin(2 * np.pi * np.outer(cycles, np.arange(1, count + 1)))
        taps = np.linalg.lstsq(weight[:, None] * response, weight, rcond=None)[0]
        if np.sqrt(np.sum(energy * (response @ taps - 1) ** 2)) <= OFF_AT_MOST:
            return np.asarray(taps, dtype=np.float32)
    return np.empty(0, np.float32)


@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"})
def put_quadrature(
    line: NDArray[np.float32],
    taps: NDArray[np.float32],
    begin: int,
    end: int,
    out: NDArray[np.float32],
) -> None:
    """Quadrature of a record, zero outside, between two of its samples; the others stay.

    Parameters
    ----------
    line
        The record.
    taps
        As from `taps_for`; their number is a multiple of four.
    begin, end
        From sample `begin` on, before sample `end`.
    out
        Is filled in, as long as the record.
    """
    m, count = line.size, taps.size
    low = begin if begin > count else count
    high = end if end < m - count else m - count
    low = low if low < end else end
    high = high if high > low else low
    for i in range(begin, low):
        out[i] = _at(line, taps, i)
    for i in range(high, end):
        out[i] = _at(line, taps, i)
    inside, n = out[low:high], high - low
    inside[:] = 0
    for k in range(0, count, 4):  # views, so that an index cannot be negative, and four at a time
        a, b, c, d = taps[k], taps[k + 1], taps[k + 2], taps[k + 3]
        before = line[low - k - 4 : low - k - 4 + n + 3]
        after = line[low + k + 1 : low + k + 1 + n + 3]
        for i in range(n):
            inside[i] += (
                a * (before[i + 3] - after[i])
                + b * (before[i + 2] - after[i + 1])
                + c * (before[i + 1] - after[i + 2])
                + d * (before[i] - after[i + 3])
            )


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _at(line: NDArray[np.float32], taps: NDArray[np.float32], i: int) -> np.float32:
    total = np.float32(0)
    for k in range(1, taps.size + 1):
        before = line[i - k] if i >= k else np.float32(0)
        after = line[i + k] if i + k < line.size else np.float32(0)
        total += taps[k - 1] * (before - after)
    return total
