"""What a wall does to each round trip besides delay and loss: roughness and divergence."""

import numpy as np
from numpy.typing import ArrayLike, NDArray


def rough_reflection(s: ArrayLike, velocity: float, rms_m: ArrayLike) -> NDArray[np.complex128]:
    """Coherent reflection factor exp(-2 k^2 h^2) of a surface with Gaussian heights of rms h.

    Nagy and Adler, JASA 82 (1987) 193 (from memory). With s = j omega, k^2 = -(s / c)^2.
    """
    k_squared = -((np.asarray(s, dtype=np.complex128) / velocity) ** 2)
    return np.asarray(np.exp(-2 * k_squared * np.asarray(rms_m) ** 2))


def divergence(
    thickness_m: ArrayLike, curvature_per_m: ArrayLike, refraction: ArrayLike
) -> NDArray[np.float64]:
    """Amplitude left per round trip of a beam that enters a tube not square to its surface.

    Ray optics in one plane, on the unrolled wall (derived): outside and bore are concentric, so a
    beam square to the surface comes back on itself, however round the tube. Under a tip whose
    curvature differs by `curvature_per_m` (part minus tip) rays enter at refraction x curvature x
    from the normal at x, and one round trip makes them 1 + 2 d refraction curvature times as wide.

    Parameters
    ----------
    refraction
        Velocity of the wall over that of what the sound comes from (Snell).
    """
    spread = 2 * np.asarray(thickness_m) * np.asarray(refraction) * np.abs(curvature_per_m)
    return np.asarray(1 / np.sqrt(1 + spread))
