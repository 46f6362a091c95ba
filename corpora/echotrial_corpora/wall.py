"""What a wall does to each round trip besides delay and loss: roughness, taper, divergence."""

import numpy as np
from numpy.typing import ArrayLike, NDArray


def rough_reflection(s: ArrayLike, velocity: float, rms_m: ArrayLike) -> NDArray[np.complex128]:
    """Coherent reflection factor exp(-2 k^2 h^2) of a surface with Gaussian heights of rms h.

    Nagy and Adler, JASA 82 (1987) 193 (from memory). With s = j omega, k^2 = -(s / c)^2.
    """
    k_squared = -((np.asarray(s, dtype=np.complex128) / velocity) ** 2)
    return np.asarray(np.exp(-2 * k_squared * np.asarray(rms_m) ** 2))


def divergence(thickness_m: ArrayLike, outside_radius_m: ArrayLike) -> NDArray[np.float64]:
    """Amplitude left per round trip off the bore of a tube: (1 + 2 d / R_i)^(-1/2).

    Ray optics in one plane (derived): the bore is a convex mirror of focal length R_i / 2, so a
    plane wave comes back d further on 1 + 2 d / R_i times as wide. A flat part has radius inf.
    What the curved outside does is in the couplant's gap distribution.
    """
    d, outside = np.asarray(thickness_m), np.asarray(outside_radius_m)
    inner = np.maximum(outside - d, 0.05 * outside)
    return np.asarray(1 / np.sqrt(1 + 2 * d / inner))


def taper_offsets(slope: float, across_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """Wall minus its thickness on the beam axis at the places `across_m`, metres."""
    return slope * across_m
