"""Finite differences in one dimension, a third method that keeps the lattice honest.

Staggered pressure and particle velocity, dp/dt = -rho c^2 dv/dx and dv/dt = -(1/rho) dp/dx, second
order in space and time (Virieux, Geophysics 51 (1986) 889, from memory, for the staggering).
Interfaces lie on velocity nodes, where the density is the mean of its two neighbours. Both ends
absorb (Mur, first order, exact at normal incidence up to the grid's dispersion).
"""

from collections.abc import Sequence

import numba
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Layer = tuple[float, float, int]  # density, velocity, cells


def reflected(source: Array, layers: Sequence[Layer], cell_m: float, step_s: float) -> Array:
    """Pressure a few cells above the end of the first layer, without the wave that runs down.

    `source` is added half-way down the first layer. The wave that runs down is the same
    run with the first layer's medium everywhere.
    """
    density, velocity = _media(layers)
    spread = np.full(density.size, layers[0][0]), np.full(density.size, layers[0][1])
    seen = layers[0][2] - 4
    enter = layers[0][2] // 2
    whole = _run(source, density, velocity, cell_m, step_s, enter, seen)
    incident = _run(source, *spread, cell_m, step_s, enter, seen)
    return np.stack([incident, whole - incident])


def _media(layers: Sequence[Layer]) -> tuple[Array, Array]:
    cells = [n for _, _, n in layers]
    return np.repeat([d for d, _, _ in layers], cells), np.repeat([v for _, v, _ in layers], cells)


@numba.njit(cache=True)
def _run(
    source: Array, density: Array, velocity: Array, cell: float, step: float, enter: int, seen: int
) -> Array:
    n = density.size
    p, v, found = np.zeros(n), np.zeros(n + 1), np.empty(source.size)
    stiff = density * velocity**2 * step / cell
    light = 2 * step / cell / (density[1:] + density[:-1])
    top = (velocity[0] * step - cell) / (velocity[0] * step + cell)
    end = (velocity[-1] * step - cell) / (velocity[-1] * step + cell)
    for i in range(source.size):
        first, second, last, before = v[0], v[1], v[n], v[n - 1]
        for j in range(1, n):
            v[j] -= light[j - 1] * (p[j] - p[j - 1])
        v[0] = second + top * (v[1] - first)
        v[n] = before + end * (v[n - 1] - last)
        for j in range(n):
            p[j] -= stiff[j] * (v[j + 1] - v[j])
        p[enter] += source[i]
        found[i] = p[seen]
    return found
