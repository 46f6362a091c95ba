"""The couplant gap over the aperture, as weighted strips across the tube."""

import numpy as np
from numpy.typing import ArrayLike, NDArray


def strips(count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Places x / a across a disc and the share of the disc that each stands for.

    Gauss quadrature for the chord weight sqrt(1 - x^2) (Chebyshev, second kind): the mean of a
    polynomial of degree 2 count - 1 over the disc is exact.

    Returns
    -------
    places, weights
        (count,) each; weights sum to 1.
    """
    angle = np.pi * np.arange(1, count + 1) / (count + 1)
    return np.cos(angle), 2 / (count + 1) * np.sin(angle) ** 2


def gaps(
    least_m: ArrayLike,
    curvature_per_m: ArrayLike,
    tilt_rad: ArrayLike,
    offset_m: ArrayLike,
    across_m: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Gap at the places `across_m` between a tip and a part, metres.

    x^2 / 2 times the difference of the curvatures (part minus tip), plus a wedge by tilt, with the
    tube's crest `offset_m` off the beam axis; then the tip comes down until the smallest gap is
    `least_m`.

    Parameters
    ----------
    least_m, curvature_per_m, tilt_rad, offset_m
        (n,) each or scalars.
    across_m
        (k,).

    Returns
    -------
    ndarray
        (n, k), nowhere less than `least_m`.
    """
    least, curvature, tilt, offset = (
        np.asarray(v, dtype=np.float64)[..., None]
        for v in (least_m, curvature_per_m, tilt_rad, offset_m)
    )
    shape = 0.5 * curvature * (across_m - offset) ** 2 + tilt * across_m
    return np.asarray(shape - shape.min(axis=-1, keepdims=True) + least)
