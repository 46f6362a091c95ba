"""Power-law attenuation, always with the dispersion that causality demands of it.

Everything is written in s, the Laplace variable: on the imaginary axis s = j omega it is the
usual frequency response (numpy's sign, exp(+j omega t)); with a positive real part it is the
spectrum of the same signal times exp(-Re(s) t), which the generator uses against wrap-around.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray


def power_law(s: ArrayLike, exponent: float, at_hz: float) -> NDArray[np.complex128]:
    """Lossy part of a propagation constant for 1 Np/m at `at_hz`, Kramers-Kronig included.

    On s = j omega its real part is (omega/omega_0)^y and its imaginary part the dispersion that
    belongs to it and leaves the velocity at omega_0 as it was: Waters et al., JASA 108 (2000) 556,
    1/c = 1/c_0 + alpha_0 tan(pi y/2) (omega^(y-1) - omega_0^(y-1)), and -(2/pi) alpha_0
    ln(omega/omega_0) for y = 1.

    Parameters
    ----------
    s
        Laplace variable, 1/s.
    exponent
        y of the law alpha ~ omega^y, 0 < y < 3.
    at_hz
        Frequency at which attenuation and velocity are stated.

    Returns
    -------
    ndarray
        Np/m (real) and rad/m (imaginary), of the shape of `s`.
    """
    if not 0 < exponent < 3:
        raise ValueError(f"attenuation exponent {exponent:g}: the dispersion needs 0 < y < 3")
    z = np.asarray(s, dtype=np.complex128) / (2 * np.pi * at_hz)
    if exponent == 1:
        return np.asarray(-2 / np.pi * z * np.log(np.where(z == 0, 1, z)))
    half_turns = np.pi * exponent / 2
    return np.asarray(z**exponent / np.cos(half_turns) - z * np.tan(half_turns))


def propagation(
    s: ArrayLike, velocity: float, attenuation: float, exponent: float, at_hz: float
) -> NDArray[np.complex128]:
    """Propagation constant gamma = alpha + j omega / c: a wave goes as exp(-gamma z).

    Parameters
    ----------
    s
        Laplace variable, 1/s.
    velocity, attenuation
        m/s and Np/m at `at_hz`.
    exponent
        Of the power law.

    Returns
    -------
    ndarray
        1/m, of the shape of `s`.
    """
    lossless = np.asarray(s, dtype=np.complex128) / velocity
    return lossless + attenuation * power_law(s, exponent, at_hz)
