"""Waves at normal incidence in delay line | couplant | wall | backing: a lattice of waves.

Goupillaud's layered medium (P. L. Goupillaud, Geophysics 26 (1961) 754, from memory): in every
layer one wave runs down and one up, each delayed by whole time steps; at an interface pressure p
scatters with r = (Z2 - Z1)/(Z2 + Z1) into p_up = r p_down + (1 - r) p_up' and
p_down = (1 + r) p_down - r p_up'. Only the round trip of a layer shows from above, so that is what
has to be a whole number of steps. Nothing is approximated: a layer's thickness is *rounded to the
lattice* and the rounded value is the truth (`on_lattice`).

Absorption in the wall acts once a round trip through the taps (1/4, 1/2, 1/4) at -m, 0, +m steps:
cos^2(pi f m dt), a square law in frequency, to which no dispersion belongs (Kramers-Kronig, y = 2).
"""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Lattice:
    """Impedances of the four media (Pa s/m), round trips in steps, absorption taps in steps.

    `couplant_steps` has one entry a strip of the aperture; the strips' answers are averaged.
    0 steps of couplant = delay line and wall touch. An air backing has impedance 0.
    """

    delay: float
    couplant: float
    wall: float
    backing: float
    couplant_steps: tuple[int, ...]
    wall_steps: int
    absorption_steps: int = 0

    def __post_init__(self) -> None:
        if not 0 <= self.absorption_steps < self.wall_steps:
            raise ValueError(
                f"absorption taps {self.absorption_steps} outlast the wall: not causal"
            )

    def reflections(self) -> tuple[float, float, float, float]:
        """(delay|couplant, couplant|wall, delay|wall, wall|backing)."""
        return (
            reflection(self.delay, self.couplant),
            reflection(self.couplant, self.wall),
            reflection(self.delay, self.wall),
            reflection(self.wall, self.backing),
        )


def reflection(above: float, below: float) -> float:
    """Pressure reflection from above (Kinsler et al., Fundamentals of Acoustics, ch. 6)."""
    return (below - above) / (below + above)


def on_lattice(thickness_m: float, velocity: float, step_s: float) -> tuple[int, float]:
    """Round trip in whole steps, and the thickness that this is exactly."""
    steps = round(2 * thickness_m / velocity / step_s)
    return steps, steps * step_s * velocity / 2


def absorption_taps(loss_np: float, frequency_hz: float, step_s: float) -> int:
    """Steps between the taps for a loss per round trip, in neper, at one frequency."""
    return round(float(np.arccos(np.exp(-loss_np / 2))) / (np.pi * frequency_hz * step_s))


@numba.njit(cache=True)
def _march(
    source: Array,
    earlier: Array,
    into_wall: Array,
    up: Array,
    out: Array,
    r: tuple[float, float, float, float],
    n_couplant: int,
    n_wall: int,
    taps: int,
) -> None:
    """March one strip through time, adding what comes up the delay line to `out`.

    The wave that comes back through the wall at step i is what `earlier` sent into it `n_wall`
    steps before. With `earlier` = `into_wall` that is the whole echo train; with the wave of
    another march it is the next order of back-wall echo alone.
    """
    r_top, r_bottom, r_touch, r_back = r
    for i in range(source.size):
        back = 0.0
        j = i - n_wall
        if j >= 0:
            back = 0.5 * earlier[j]
        if j + taps >= 0:
            back += 0.25 * earlier[j + taps]
        if j - taps >= 0:
            back += 0.25 * earlier[j - taps]
        back *= r_back
        if n_couplant == 0:
            out[i] += r_touch * source[i] + (1 - r_touch) * back
            into_wall[i] = (1 + r_touch) * source[i] - r_touch * back
        else:
            film = up[i - n_couplant] if i >= n_couplant else 0.0
            out[i] += r_top * source[i] + (1 - r_top) * film
            down = (1 + r_top) * source[i] - r_top * film
            up[i] = r_bottom * down + (1 - r_bottom) * back
            into_wall[i] = (1 + r_bottom) * down - r_bottom * back


@numba.njit(cache=True)
def _whole(
    source: Array,
    r: tuple[float, float, float, float],
    strips: NDArray[np.int64],
    n_wall: int,
    taps: int,
) -> Array:
    out, up, wall = np.zeros(source.size), np.empty(source.size), np.empty(source.size)
    for n_couplant in strips:
        _march(source, wall, wall, up, out, r, n_couplant, n_wall, taps)
    return out / strips.size


@numba.njit(cache=True)
def _by_order(
    source: Array,
    r: tuple[float, float, float, float],
    strips: NDArray[np.int64],
    n_wall: int,
    taps: int,
    orders: int,
) -> Array:
    n = source.size
    out, up, silence = np.zeros((orders + 1, n)), np.empty(n), np.zeros(n)
    walls = np.empty((2, n))
    for n_couplant in strips:
        _march(source, silence, walls[0], up, out[0], r, n_couplant, n_wall, taps)
        for k in range(1, orders + 1):
            earlier, later = walls[(k - 1) % 2], walls[k % 2]
            _march(silence, earlier, later, up, out[k], r, n_couplant, n_wall, taps)
    return out / strips.size


def respond(source: Array, lattice: Lattice) -> Array:
    """Pressure that comes back up the delay line for `source` going down it, step by step, (n,)."""
    strips = np.array(lattice.couplant_steps, dtype=np.int64)
    found: Array = _whole(
        source, lattice.reflections(), strips, lattice.wall_steps, lattice.absorption_steps
    )
    return found


def respond_by_order(source: Array, lattice: Lattice, orders: int) -> Array:
    """The same, split by round trips in the wall: (orders + 1, n); row 0 never entered it and back.

    Row 0 is the record on an infinitely thick wall; row k went k times through the wall and back.
    """
    strips = np.array(lattice.couplant_steps, dtype=np.int64)
    found: Array = _by_order(
        source, lattice.reflections(), strips, lattice.wall_steps, lattice.absorption_steps, orders
    )
    return found


def goupillaud(source: Array, impedances: Sequence[float]) -> Array:
    """The slow, obvious twin: one impedance a cell, each cell half a step thick, all cells kept.

    Waves meet the interfaces once per half step, so a layer of n round-trip steps has n cells
    (odd and even half steps do not mix; the source enters on whole steps only).
    """
    r = np.array([reflection(a, b) for a, b in itertools.pairwise(impedances)])
    down, up = np.zeros(r.size), np.zeros(r.size)  # waves arriving at each interface
    out = np.zeros(source.size)
    for i in range(2 * source.size):
        down[0] = source[i // 2] if i % 2 == 0 else 0.0
        left, right = r * down + (1 - r) * up, (1 + r) * down - r * up
        if i % 2 == 0:
            out[i // 2] = left[0]
        down[1:], up[:-1], up[-1] = right[:-1], left[1:], 0.0
    return out
