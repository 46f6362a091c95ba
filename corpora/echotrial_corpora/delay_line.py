"""The delay line: its own multiples, side-wall echoes and drift with temperature."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from echotrial_corpora.diffraction import piston
from echotrial_corpora.layers import Layer

if TYPE_CHECKING:
    from echotrial_corpora.spec import DelayLine, SideWall

#: Trips through the delay line that are followed.
MOST_TRIPS = 3


def drift_s(
    length: float, velocity: float, per_kelvin: float, change_k: ArrayLike
) -> NDArray[np.float64]:
    """How much later the tip's echo comes in a line warmer by `change_k`, seconds."""
    warmer = velocity + per_kelvin * np.asarray(change_k, dtype=np.float64)
    return np.asarray(2 * length * (1 / warmer - 1 / velocity))


def side_wall(s: ArrayLike, paths: Sequence["SideWall"]) -> NDArray[np.complex128]:
    """Factor 1 + sum a exp(-s delay) of echoes that come by the line's side wall.

    For a wave converted at the wall of a line of diameter D the delay is a multiple of
    D sqrt(1/c_T^2 - 1/c_L^2) (trailing echoes of rods; from memory).
    """
    s = np.asarray(s, dtype=np.complex128)
    found = np.ones_like(s)
    for path in paths:
        found = found + np.exp(path.level.nominal - s * path.delay)
    return found


def repeats(
    s: NDArray[np.complex128],
    line: "DelayLine",
    layer: Layer,
    radius_m: float | None,
    window_s: float,
) -> NDArray[np.complex128]:
    """Factors of the first, second ... trip relative to the bare tip's echo, (k, b).

    The m-th is (repeat x exp(-2 gamma L))^(m-1) times its own diffraction correction
    D(m S) / D(S), and goes with the m-th power of the tip's reflection.
    """
    count = 1 if line.repeat is None else 1 + int(window_s * layer.velocity / (2 * line.length))
    level = 0.0 if line.repeat is None else np.exp(line.repeat.nominal)
    trip = level * np.exp(-2 * layer.propagation(s) * line.length)
    correction = np.ones((MOST_TRIPS, s.size), np.complex128)
    if radius_m is not None:
        x = -1j * s * radius_m**2 / (2 * line.length * layer.velocity)
        single = piston(x)
        correction = np.stack([piston(x / m) / single for m in range(1, MOST_TRIPS + 1)])
    return np.stack([trip**m * correction[m] for m in range(min(count, MOST_TRIPS))])
