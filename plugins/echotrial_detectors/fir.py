"""A filter by a few taps in the time domain, where few do for echoes.

A transform there and back takes as long as some ninety taps, padded to twice the length as some two
hundred. The filters of the echo detectors are short wherever the pulse is; what few taps leave out
is a thousandth of an echo, beside it in time, and the same for all echoes, so that it moves none
against another.
"""

from dataclasses import dataclass

import numba
import numpy as np
import scipy
from numpy.typing import NDArray

from echotrial_detectors.kernels import COUNTS_NOTHING

#: Numbers of taps that are tried, multiples of eight, and how far off what they make of an echo
#: may be, root mean square over its energy.
COUNTS = (24, 32, 40, 48)
OFF_AT_MOST = 3.2e-3
#: Weight of the frequencies where an echo has nothing: noise stands there.
ELSEWHERE = 1e-3


@dataclass(frozen=True, eq=False)
class Fir:
    """The filtered signal is sum_k w_k x[i + k - lead].

    Attributes
    ----------
    weights
        The w_k; a multiple of eight of them, or none.
    lead
        Samples by which the first tap is ahead.
    """

    weights: NDArray[np.float32]
    lead: int


NO_TAPS = Fir(np.empty(0, np.float32), 0)


def few_taps(transfer: NDArray[np.complex128], pulse: NDArray[np.complex128], n_fft: int) -> Fir:
    """Taps that do to an echo what a transfer function does; `NO_TAPS` where few do not suffice.

    Least squares over frequency, weighted by the echo's energy. Its normal equations are those of
    a Wiener filter (Levinson, in Wiener, Extrapolation, Interpolation and Smoothing of Stationary
    Time Series, from memory).

    Parameters
    ----------
    transfer, pulse
        One-sided spectra of the filter and of an echo, (n_fft // 2 + 1,).
    n_fft
        Length of their transform.
    """
    energy = np.abs(pulse) ** 2
    weight = energy + ELSEWHERE * energy.max()
    alike = scipy.fft.irfft(weight, n=n_fft)
    wanted = scipy.fft.irfft(weight * np.conj(transfer), n=n_fft)
    power = scipy.fft.irfft(np.conj(transfer), n=n_fft) ** 2
    for count in (count for count in COUNTS if count < n_fft // 2):
        held = np.convolve(np.concatenate([power[-count:], power[:count]]), np.ones(count), "valid")
        lead = count - int(np.argmax(held))
        places = np.arange(count) - lead
        matrix = alike[np.abs(np.subtract.outer(places, places))]
        weights = np.linalg.solve(matrix, wanted[places])
        response = np.zeros(n_fft)
        response[places] = weights  # those before the first tap stand at the end
        off = energy * np.abs(np.conj(scipy.fft.rfft(response)) - transfer) ** 2
        if np.sum(off) <= OFF_AT_MOST**2 * np.sum(energy * np.abs(transfer) ** 2):
            return Fir(weights.astype(np.float32), lead)
    return NO_TAPS


def filtered(
    samples: NDArray[np.float32], fir: Fir, padded: NDArray[np.float32], out: NDArray[np.float32]
) -> None:
    """Put records, zero outside, through a filter.

    Parameters
    ----------
    samples
        (n, m), read-only.
    padded
        Zeros to work in, (m + taps,); only m of them are used, the same ones each time.
    out
        Is filled in, (n, m).
    """
    _filter(samples, fir.weights, fir.lead, padded, out)


@numba.njit(**COUNTS_NOTHING, fastmath={"contract", "reassoc"})
def _filter(
    samples: NDArray[np.float32],
    weights: NDArray[np.float32],
    lead: int,
    padded: NDArray[np.float32],
    out: NDArray[np.float32],
) -> None:
    m = samples.shape[1]
    for row in range(samples.shape[0]):
        record, line, inside = samples[row], out[row], padded[lead : lead + m]
        for i in range(m):
            inside[i] = record[i]
        line[:] = 0
        for j in range(0, weights.size, 8):  # eight at a time
            a, b, c, d = weights[j], weights[j + 1], weights[j + 2], weights[j + 3]
            e, f, g, h = weights[j + 4], weights[j + 5], weights[j + 6], weights[j + 7]
            x = padded[j:]
            for i in range(line.size):
                early = (a * x[i] + b * x[i + 1]) + (c * x[i + 2] + d * x[i + 3])
                late = (e * x[i + 4] + f * x[i + 5]) + (g * x[i + 6] + h * x[i + 7])
                line[i] += early + late
