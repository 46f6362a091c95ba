"""How much of the signal behind the tail the candidate echoes leave unexplained."""

import numba
import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.pulse import FINE


# Sums may be taken in any order, so that they run several lanes wide.
@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract"})
def unexplained(
    signal: NDArray[np.float32],
    begin: int,
    end: int,
    sigma: float,
    place: NDArray[np.float64],
    amplitude: NDArray[np.float64],
    n: int,
    phases: NDArray[np.float32],
    room: NDArray[np.float32],
) -> float:
    """Energy of a record that is left when its candidates are taken off, over the energy before.

    Parameters
    ----------
    signal
        The record, (m,).
    begin, end
        Samples between which energy counts.
    sigma
        Its standard deviation times the samples' number is taken off as the noise's share.
    place, amplitude, n
        The candidates.
    phases
        One echo of height 1 as in `pulse.PulseShape.phases`.
    room
        To work in, (m,).
    """
    if end <= begin:
        return 0.0
    reach = phases.shape[1] // 2
    line, left = signal[begin:end], room[begin:end]
    before, after = np.float32(0), np.float32(0)
    for j in range(line.size):
        left[j] = line[j]
        before += line[j] * line[j]
    for i in range(n):
        centre = int(place[i])
        low = centre - reach + 1 if centre - reach + 1 > begin else begin
        high = centre + reach if centre + reach < end else end
        if low >= high:
            continue
        at = int(np.rint((low - place[i]) * FINE)) + reach * FINE
        wave = phases[at % FINE, at // FINE : at // FINE + high - low]
        under, height = room[low:high], np.float32(amplitude[i])
        for j in range(wave.size):
            under[j] -= height * wave[j]
    for j in range(left.size):
        after += left[j] * left[j]
    noise = sigma * sigma * (end - begin)
    more, whole = after - noise, before - noise
    least = 1e-3 * before + 1e-30
    return float((more if more > 0 else 0.0) / (whole if whole > least else least))
