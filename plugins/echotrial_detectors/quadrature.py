"""The quadrature of a band-limited signal: its Hilbert transform by a few taps, where they do.

An odd filter of 2 K taps turns cos(w i) into 2 sum_k c_k sin(w k) sin(w i). The taps that bring
that sum nearest to 1 over the band of an echo, by least squares, cost less than half a transform.
Where the band lies about a quarter of the sampling rate, every second one does. Near zero and half
the sampling rate no such filter is right: there a transform has to do.
"""

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

#: Numbers of taps on either side that are tried with the step from one to the next, and how far
#: off, root mean square over the energy of an echo, their response may be.
TAPS = ((4, 2), (4, 1), (8, 2), (8, 1), (12, 1), (16, 1))
OFF_AT_MOST = 3.5e-4
#: Weight of the frequencies where an echo has nothing: noise stands there, and taps stay small.
ELSEWHERE = 1e-7


@dataclass(frozen=True, eq=False)
class Taps:
    """The signal's quadrature is sum_j c_j (x[i - k_j] - x[i + k_j]), k_j = 1 + j step.

    Attributes
    ----------
    weights
        The c_j; a multiple of four of them, or none.
    step
        Samples from one tap to the next.
    """

    weights: NDArray[np.float32]
    step: int


NO_TAPS = Taps(np.empty(0, np.float32), 1)


def taps_for(spectrum: NDArray[np.complex128]) -> Taps:
    """The taps for echoes of a one-sided spectrum; none where few do not suffice."""
    cycles = np.linspace(0, 0.5, spectrum.size)
    energy = np.abs(spectrum) ** 2 / np.sum(np.abs(spectrum) ** 2)
    weight = np.sqrt(energy + ELSEWHERE * energy.max())
    for count, step in TAPS:
        apart = 1 + step * np.arange(count)
        response = 2 * np.sin(2 * np.pi * np.outer(cycles, apart))
        found = np.linalg.lstsq(weight[:, None] * response, weight, rcond=None)[0]
        if np.sqrt(np.sum(energy * (response @ found - 1) ** 2)) <= OFF_AT_MOST:
            return Taps(np.asarray(found, dtype=np.float32), step)
    return NO_TAPS


@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"})
def put_quadrature(
    line: NDArray[np.float32],
    weights: NDArray[np.float32],
    step: int,
    begin: int,
    end: int,
    out: NDArray[np.float32],
) -> None:
    """Quadrature of a record, zero outside, between two of its samples; the others stay.

    Parameters
    ----------
    line
        The record.
    weights, step
        As in `Taps`.
    begin, end
        From sample `begin` on, before sample `end`.
    out
        Is filled in, as long as the record.
    """
    m, reach = line.size, 1 + step * (weights.size - 1)
    low = begin if begin > reach else reach
    high = end if end < m - reach else m - reach
    low = low if low < end else end
    high = high if high > low else low
    for i in range(begin, low):
        out[i] = _at(line, weights, step, i)
    for i in range(high, end):
        out[i] = _at(line, weights, step, i)
    inside, n = out[low:high], high - low
    for j in range(0, weights.size, 4):  # four at a time
        a, b, c, d = weights[j], weights[j + 1], weights[j + 2], weights[j + 3]
        # views, so that an index cannot be negative
        k = low - 1 - j * step
        before_a, before_b = line[k : k + n], line[k - step : k - step + n]
        before_c, before_d = line[k - 2 * step :][:n], line[k - 3 * step :][:n]
        k = low + 1 + j * step
        after_a, after_b = line[k : k + n], line[k + step : k + step + n]
        after_c, after_d = line[k + 2 * step :][:n], line[k + 3 * step :][:n]
        if j == 0:
            for i in range(n):
                inside[i] = (
                    a * (before_a[i] - after_a[i])
                    + b * (before_b[i] - after_b[i])
                    + c * (before_c[i] - after_c[i])
                    + d * (before_d[i] - after_d[i])
                )
        else:
            for i in range(n):
                inside[i] += (
                    a * (before_a[i] - after_a[i])
                    + b * (before_b[i] - after_b[i])
                    + c * (before_c[i] - after_c[i])
                    + d * (before_d[i] - after_d[i])
                )


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _at(line: NDArray[np.float32], weights: NDArray[np.float32], step: int, i: int) -> np.float32:
    total = np.float32(0)
    for j in range(weights.size):
        k = 1 + j * step
        before = line[i - k] if i >= k else np.float32(0)
        after = line[i + k] if i + k < line.size else np.float32(0)
        total += weights[j] * (before - after)
    return total
