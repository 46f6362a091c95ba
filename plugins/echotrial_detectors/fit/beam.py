"""How the beam's spreading delays and weakens what has been through the wall.

A round piston's mean pressure on itself after a path z is D(S) times that of a plane wave, with
S = sum of z lambda / a^2 over the media (Rogers and Van Buren, JASA 55 (1974) 724; the sum:
Papadakis; both from memory): D(S) = 1 - exp(-j 2 pi / S) (J0(2 pi / S) + j J1(2 pi / S)). The
reference echo has the delay line's S in it already; a round trip through the wall adds a little, so
that the slope of ln D there is all that is needed. Left out, walls read about 0.1 % thin.
"""

import numpy as np
import scipy
from echotrial.setup import Setup
from numpy.typing import NDArray

#: Periods of travel over which the slope is taken: D ripples, walls of some wavelengths average it.
SPAN = 8.0


def piston(s: NDArray[np.float64]) -> NDArray[np.complex128]:
    """D(S), convention exp(+j w t)."""
    x = 2 * np.pi / s
    found = 1 - np.exp(-1j * x) * (scipy.special.jv(0, x) + 1j * scipy.special.jv(1, x))
    return np.asarray(found)


def spreading(
    setup: Setup, frequency: NDArray[np.float64], share: float = 1.0
) -> NDArray[np.complex128]:
    """What is added to the wall's exponent per period of travel, (m,); 0 without the dimensions.

    `frequency` counts in centre frequencies; `share` is that of the full piston's effect.
    """
    delay, diameter = setup.delay_line, setup.element_diameter
    if delay is None or delay.velocity is None or delay.length is None or diameter is None:
        return np.zeros(frequency.size, dtype=np.complex128)
    area, hertz = (diameter / 2) ** 2, frequency * setup.centre_frequency
    before = 2 * delay.length * delay.velocity / hertz / area
    per_period = setup.velocity / setup.centre_frequency * setup.velocity / hertz / area
    after = before + SPAN * per_period
    slope = np.log(piston(after) / piston(before)) / SPAN
    return np.asarray(-share * slope, dtype=np.complex128)
