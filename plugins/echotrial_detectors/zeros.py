"""Zero crossings nearest to given places, many worked out side by side.

Where the two crossings about a place lie depends on the record and is looked up place by place;
what follows from their samples is arithmetic, and runs many lanes wide over the places of several
records.
"""

from typing import NamedTuple

import numba
import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.flags import WORD, room, samples_after, samples_before
from echotrial_detectors.noise import fixed
from echotrial_detectors.peaks import MOST

#: Records whose zero crossings are worked out together.
TOGETHER = 8

#: Rows of the room `ends`: of the crossing ahead of a place the sample before and the one after,
#: of the one behind it likewise, how far the former ones lie from the place. When worked out:
#: in the first row +1 where the signal falls through the nearer one, -1 where it rises, 0 where
#: there is none, and in row `OFF` how far from the place it lies.
_WIDTH = TOGETHER * MOST
_AHEAD, _AHEAD_NEXT, _BEHIND, _BEHIND_NEXT, OFF, _OFF_BEHIND, _ALL = (k * _WIDTH for k in range(7))
#: How far a crossing is that is none.
_FAR = np.float32(1e9)


class Carrier(NamedTuple):
    """The centre frequency: samples of a period, sine and cosine of its phase a sample."""

    period: float
    sine: float
    cosine: float

    @classmethod
    def of(cls, step: float) -> "Carrier":
        """That of so many periods a sample."""
        w = 2 * np.pi * step
        return cls(1 / step, float(np.sin(w)), float(np.cos(w)))


def ends() -> NDArray[np.float32]:
    """Room for both crossings about each place."""
    return np.empty(_ALL, np.float32)


def nearest_zero(line: NDArray[np.float32], target: float, step: float) -> float:
    """Zero crossing nearest to a place, within half a period; minus it where the signal rises.

    0 where there is none.
    """
    flags, near, place = room(line.size)[0], ends(), np.array([target])
    flag_changes(fixed(line), 0, line.size, flags)
    find_ends(fixed(line), flags, place, 1, Carrier.of(step), near, 0)
    lay_sines(near, 1, Carrier.of(step))
    return float(near[0] * (target + near[OFF]))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def flag_changes(line: NDArray[np.float32], begin: int, end: int, flags: NDArray[np.uint8]) -> None:
    """Flag the samples between two after which the sign changes, and no other ones.

    `flags` is from `flags.room`, sample i's is at i + `WORD`.
    """
    flags[:] = 0
    begin, end = begin if begin > 0 else 0, end if end < line.size - 1 else line.size - 1
    now, following, here = line[begin:end], line[begin + 1 : end + 1], flags[WORD + begin :]
    for i in range(now.size):
        here[i] = (now[i] > 0) != (following[i] > 0)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def find_ends(
    line: NDArray[np.float32],
    flags: NDArray[np.uint8],
    place: NDArray[np.float64],
    n: int,
    carrier: Carrier,
    near: NDArray[np.float32],
    at: int,
) -> None:
    """Put the samples of both crossings about each of n places into the room, from `at` on.

    `flags` is from `flag_changes`.
    """
    most, last, here = int(0.5 * carrier.period) + 2, line.size - 2, near[at:]
    for k in range(n):
        middle = min(max(int(place[k]), 0), last)
        after, before = samples_after(flags, middle, most), samples_before(flags, middle, most)
        i, j = middle + after, middle - before - 1
        here[k + OFF], here[k + _OFF_BEHIND] = i - place[k], j - place[k]
        if after > most:
            i, here[k + OFF] = middle, _FAR
        if before >= most:
            j, here[k + _OFF_BEHIND] = middle, -_FAR
        here[k + _AHEAD], here[k + _AHEAD_NEXT] = line[i], line[i + 1]
        here[k + _BEHIND], here[k + _BEHIND_NEXT] = line[j], line[j + 1]


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _away(off: np.float32, x: np.float32, x_next: np.float32) -> np.float32:
    """How far from the place a straight line between two samples is zero."""
    away = abs(off + x / (x - x_next))
    return away if abs(off) < _FAR else _FAR


@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"})
def single_arctan(y: np.float32, x: np.float32) -> np.float32:
    """Arc tangent of y / x to 1.2e-5 (Abramowitz, Stegun, 4.4.47, from memory); both at least 0.

    In single precision it runs in twice as many lanes as `peaks.arctan`.
    """
    steep = y > x
    small = (x if steep else y) / (y if steep else x)
    s = small * small
    high = np.float32(0.1801410) + s * (np.float32(-0.0851330) + s * np.float32(0.0208351))
    turn = small * (np.float32(0.9998660) + s * (np.float32(-0.3302995) + s * high))
    return np.float32(0.5 * np.pi) - turn if steep else turn


@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"})
def lay_sines(near: NDArray[np.float32], n: int, carrier: Carrier) -> None:
    """Work out the nearer crossing of each of the first n places in the room.

    It counts within half a period and a sample. Between two samples a sine of the centre frequency
    is laid: with y0 = A sin p, y1 = A sin(p + w), tan p = y0 sin w / (y1 - y0 cos w); a straight
    line would be off by some 0.02 w^2 samples.
    """
    sine, cosine = np.float32(carrier.sine), np.float32(carrier.cosine)
    turn, reach = np.float32(carrier.period / (2 * np.pi)), np.float32(0.5 * carrier.period + 1)
    for k in range(n):
        ahead, behind = near[k + OFF], near[k + _OFF_BEHIND]
        x, x_next = near[k + _AHEAD], near[k + _AHEAD_NEXT]
        y, y_next = near[k + _BEHIND], near[k + _BEHIND_NEXT]
        to_ahead, to_behind = _away(ahead, x, x_next), _away(behind, y, y_next)
        nearer = to_behind < to_ahead
        value, after = y if nearer else x, abs(y_next if nearer else x_next)
        before, off = abs(value), behind if nearer else ahead
        turned = after + before * cosine
        along = single_arctan(before * sine, turned) * turn
        straight = before / (before + after)
        falls = np.float32(1) if value > 0 else np.float32(-1)
        there = (to_behind if nearer else to_ahead) < reach
        near[k + OFF] = off + (along if turned > 0 else straight)
        near[k] = falls if there else np.float32(0)
