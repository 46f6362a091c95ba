"""How much of the signal behind the tail the candidate echoes leave unexplained."""

import numba
import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.pulse import FINE


# Sums may be taken in any order, so that they run several lanes wide.
@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract"})
def unexplained(
    signal: NDArray[np.float32],
    wanted: NDArray[np.bool_],
    first: NDArray[np.int64],
    last: NDArray[np.int64],
    sigma: NDArray[np.float64],
    sample: NDArray[np.float64],
    amplitude: NDArray[np.float64],
    count: NDArray[np.int64],
    phases: NDArray[np.float32],
    room: NDArray[np.float32],
    found: NDArray[np.float64],
) -> None:
    """Energy that is left when the candidates are taken off, over the energy before.

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
    phases
        One echo of height 1 as in `pulse.PulseShape.phases`.
    room
        To work in, (m,).
    found
        Is filled in, (n,).
    """
    reach = phases.shape[1] // 2
    for row in range(signal.shape[0]):
        found[row] = 0.0
        begin, end = first[row], last[row]
        if end <= begin or not wanted[row]:
            continue
        line, left = signal[row, begin:end], room[begin:end]
        before, after = np.float32(0), np.float32(0)
        for j in range(line.size):
            left[j] = line[j]
            before += line[j] * line[j]
        for i in range(count[row]):
            centre = int(sample[row, i])
            low = centre - reach + 1 if centre - reach + 1 > begin else begin
            high = centre + reach if centre + reach < end else end
            if low >= high:
                continue
            at = int(np.rint((low - sample[row, i]) * FINE)) + reach * FINE
            wave = phases[at % FINE, at // FINE : at // FINE + high - low]
            under, height = room[low:high], np.float32(amplitude[row, i])
            for j in range(wave.size):
                under[j] -= height * wave[j]
        for j in range(left.size):
            after += left[j] * left[j]
        noise = sigma[row] * sigma[row] * (end - begin)
        more, whole = after - noise, before - noise
        least = 1e-3 * before + 1e-30
        found[row] = (more if more > 0 else 0.0) / (whole if whole > least else least)
