"""How much of the signal behind the tail the candidate echoes leave unexplained."""

import numba
import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.pulse import FINE


@numba.njit(cache=True, nogil=True)
def unexplained(
    signal: NDArray[np.float32],
    wanted: NDArray[np.bool_],
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    sigma: NDArray[np.float64],
    sample: NDArray[np.float64],
    amplitude: NDArray[np.float64],
    count: NDArray[np.int64],
    template: NDArray[np.float32],
) -> NDArray[np.float64]:
    """Energy that is left when the candidates are taken off, over the energy before, (n,).

    Parameters
    ----------
    signal
        (n, m).
    wanted
        Which records to look at; the others get 0.
    first, last
        Samples between which energy counts.
    sigma
        Its standard deviation times the samples' number is taken off as the noise's share.
    sample, amplitude, count
        The candidates.
    template
        One echo of height 1, `FINE` values a sample, its mark in the middle; odd length.
    """
    reach = template.size // 2 // FINE
    left = np.empty(signal.shape[1], np.float32)
    found = np.zeros(signal.shape[0])
    for row in range(signal.shape[0]):
        begin, end = first[row], last[row]
        if end <= begin or not wanted[row]:
            continue
        left[begin:end] = signal[row, begin:end]
        for i in range(count[row]):
            centre = sample[row, i]
            low = max(begin, int(centre) - reach + 1)
            at = round((low - centre) * FINE) + template.size // 2
            height = np.float32(amplitude[row, i])
            for j in range(low, min(end, int(centre) + reach)):
                left[j] -= height * template[at]
                at += FINE
        before, after = 0.0, 0.0
        for j in range(begin, end):
            before += signal[row, j] ** 2
            after += left[j] ** 2
        noise = sigma[row] ** 2 * (end - begin)
        found[row] = max(after - noise, 0.0) / max(before - noise, 1e-3 * before + 1e-30)
    return found
