"""The interface echo among the candidates: near its nominal time and with the sign it must have."""

import numba
import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.kernels import COUNTS_NOTHING
from echotrial_detectors.noise import fixed
from echotrial_detectors.peaks import cosine_peak
from echotrial_detectors.plan import Plan

#: The strongest echo of a wall has at least this share of the height that the impedances give the
#: first one beside the interface echo: loss, couplant, tilt and spreading take no more. What is
#: less is grain, ringing, a repeat in the delay line.
WALL_AT_LEAST = 0.2
#: ... for those who look at no single echo and would take any repeat for a wall's; tuned on the
#: tune splits of the shipped specs: no hit has less.
REPEAT_AT_LEAST = 0.37


@numba.njit(cache=True, nogil=True, error_model="numpy")
def interface_among(
    place: NDArray[np.float64],
    height: NDArray[np.float64],
    n: int,
    nominal: float,
    reach: float,
    sign: int,
) -> int:
    """Which of a record's n candidates is the interface echo, -1 = none.

    The strongest one near the nominal place: what comes before it is no echo of the wall.

    Parameters
    ----------
    nominal
        Sample where the echo should be.
    reach
        How far off it may be, in samples.
    sign
        +1, -1, or 0 for either.
    """
    best, size = -1, 0.0
    for i in range(n):
        near = abs(place[i] - nominal) <= reach
        if near and height[i] * sign >= 0 and abs(height[i]) > size:
            best, size = i, abs(height[i])
    return best


def least_share(plan: Plan, at_least: float) -> float:
    """Least height of a wall's strongest echo over the interface echo's; 0 = nothing is known.

    The first back-wall echo is (1 - r^2) / r times as high as the interface echo, without loss;
    `at_least` is the share of that.
    """
    reflection = plan.setup.interface_reflection
    if plan.mode != 3 or plan.interface_s is None or not reflection:
        return 0.0
    return at_least * (1 - reflection**2) / abs(reflection)


def height_at(signal: NDArray[np.float32], place: NDArray[np.float64]) -> NDArray[np.float64]:
    """Modulus of each record at the sample nearest to a place, (n,)."""
    found = np.empty(len(place))
    _heights(fixed(signal), place, found)
    return found


@numba.njit(**COUNTS_NOTHING)
def _heights(
    signal: NDArray[np.float32], place: NDArray[np.float64], found: NDArray[np.float64]
) -> None:
    for row in range(found.size):
        near = int(np.rint(place[row]))
        found[row] = abs(signal[row, min(max(near, 0), signal.shape[1] - 1)])


def find_interface(
    signal: NDArray[np.float32], nominal: NDArray[np.float64], reach: float, sign: int
) -> NDArray[np.float64]:
    """Place of the greatest sample of a sign (0: of either) near the nominal one, interpolated.

    The nominal place itself where the record does not reach that far, (n,).
    """
    found = nominal.copy()
    _find(fixed(signal), reach, sign, found)
    return found


@numba.njit(**COUNTS_NOTHING)
def _find(signal: NDArray[np.float32], reach: float, sign: int, found: NDArray[np.float64]) -> None:
    """Move each place in `found` to where the echo is."""
    for row in range(found.size):
        line = signal[row]
        first, last = int(found[row] - reach), int(found[row] + reach) + 1
        first = first if first > 1 else 1
        last = last if last < line.size - 1 else line.size - 1
        best, most = -1, np.float32(0)
        for i in range(first, last):
            height = -line[i] if sign < 0 or (sign == 0 and line[i] < 0) else line[i]
            if height > most:
                best, most = i, height
        if best > 0:
            left, centre, right = line[best - 1], line[best], line[best + 1]
            found[row] = best + cosine_peak(float(left), float(centre), float(right))[0]
