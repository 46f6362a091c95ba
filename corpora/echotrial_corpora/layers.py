"""Plane-wave reflection of a stack of layers at normal incidence, by recursion from the far side.

L. M. Brekhovskikh, *Waves in Layered Media*; Kinsler, Frey, Coppens, Sanders, *Fundamentals of
Acoustics*, ch. 6 (both from memory). Complex impedances, so that lossy layers are exact.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from echotrial.hooks import Material
from numpy.typing import ArrayLike, NDArray

from echotrial_corpora.attenuation import propagation


@dataclass(frozen=True)
class Layer:
    """A layer, SI; `thickness` is ignored in the first and last one, which are half spaces."""

    density: float
    velocity: float
    attenuation: float = 0.0
    exponent: float = 2.0
    at_hz: float = 10e6
    thickness: float = 0.0

    @classmethod
    def of(cls, material: Material, thickness: float = 0.0) -> "Layer":
        """A layer of a row of the material table."""
        return cls(
            material.density,
            material.velocity,
            material.attenuation,
            material.attenuation_exponent,
            material.attenuation_frequency,
            thickness,
        )

    def propagation(self, s: ArrayLike) -> NDArray[np.complex128]:
        """Propagation constant, 1/m."""
        return propagation(s, self.velocity, self.attenuation, self.exponent, self.at_hz)

    def impedance(self, s: ArrayLike) -> NDArray[np.complex128]:
        """Characteristic impedance rho s / gamma, Pa s/m, complex where the layer is lossy."""
        s = np.asarray(s, dtype=np.complex128)
        return np.asarray(self.density * s / self.propagation(s))


def interface(z1: ArrayLike, z2: ArrayLike) -> NDArray[np.complex128]:
    """Pressure reflection (Z2 - Z1) / (Z2 + Z1) of a wave that comes from medium 1."""
    z1, z2 = np.asarray(z1), np.asarray(z2)
    return np.asarray((z2 - z1) / (z2 + z1))


def behind(
    front: NDArray[np.complex128],
    layer: NDArray[np.complex128],
    load: NDArray[np.complex128] | complex,
) -> NDArray[np.complex128]:
    """Reflection of a layer: its front face, its round trip exp(-2 gamma d), what lies behind it.

    R = (r + E W) / (1 + r E W), which is the sum over all round trips in the layer.
    """
    inner = layer * load
    return np.asarray((front + inner) / (1 + front * inner))


def reflection(s: ArrayLike, layers: Sequence[Layer]) -> NDArray[np.complex128]:
    """Pressure reflection at the end of the first medium, all multiples in one formula.

    Parameters
    ----------
    s
        Laplace variable, 1/s; j omega for a frequency response, not 0.
    layers
        Two or more, in the order in which the wave meets them.

    Returns
    -------
    ndarray
        Complex reflection, of the shape of `s`.
    """
    s = np.asarray(s, dtype=np.complex128)
    impedances = [layer.impedance(s) for layer in layers]
    found = interface(impedances[-2], impedances[-1])
    for i in range(len(layers) - 2, 0, -1):
        trip = np.exp(-2 * layers[i].propagation(s) * layers[i].thickness)
        found = behind(interface(impedances[i - 1], impedances[i]), trip, found)
    return found
