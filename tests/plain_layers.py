"""The obvious twin of the model fit's layers: one stack's reflection, strip by strip."""

import numpy as np
from echotrial_detectors.fit.stack import Stack, aperture
from numpy.typing import NDArray


def reflection(
    s: NDArray[np.complex128],
    law: NDArray[np.complex128],
    stack: Stack,
    parameters: NDArray[np.float64],
) -> NDArray[np.complex128]:
    """Pressure reflection of the stack, averaged over the aperture.

    Kinsler et al., *Fundamentals of Acoustics*, ch. 6 (layers by recursion from the back, air
    taken as pressure release).

    Parameters
    ----------
    s
        Complex frequency over the centre frequency, damping + j 2 pi f / f0; (m,).
    law
        (2, m): loss relative to that at the centre frequency, with its dispersion; and what else
        is added to the wall's exponent per period of travel (`beam.spreading`).
    parameters
        (..., 5): wall, gap, spread in periods, loss in neper per period of travel, shape.

    Returns
    -------
    ndarray
        (..., m).
    """
    strips = aperture(stack.delay_couplant)
    wall, gap, spread, loss, shape = (parameters[..., i, None] for i in range(5))
    there_and_back = np.exp(-wall * (s + loss * law[0] + law[1]))
    r12, r01 = stack.couplant_wall, stack.delay_couplant
    fading = s + stack.couplant_loss * (s.imag / np.pi - 1)
    below = (r12 - there_and_back) / (1 - r12 * there_and_back)
    total = np.zeros(below.shape, dtype=np.complex128)
    for u, share, lean in zip(strips.excess, strips.share, strips.lean, strict=True):
        lower = below * np.exp(-(gap + spread * u) * fading)
        total += (share + shape * lean) * (r01 + lower) / (1 + r01 * lower)
    return total
