"""How much too early later echoes come, because the beam has spread on their way.

Far from a round element the wave on it runs ahead of a plane one, by a quarter of a period in the
end (`fit.beam.piston`: Rogers and Van Buren). The later the echo the more: walls read thin.
"""

import numba
import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.fit.beam import piston
from echotrial_detectors.plan import Plan
from echotrial_detectors.pulse import pulse_spectrum

#: Frequencies over the band that the delay is the mean of, in centre frequencies.
BAND = np.linspace(0.4, 1.6, 31)
#: Sum of paths times velocities (m^2/s) after which nothing has spread yet.
PLANE = 1e-3
#: Times at which it is worked out; between them it hardly bends.
TIMES = 65
#: Neighbours that weigh less than this share of the first ones are left out.
LEAST_WEIGHT = 0.05


class Spreading:
    """How early echoes of the wall come; worked out once for each length and rate."""

    def __init__(self, plan: Plan) -> None:
        self._plan = plan
        self._early: dict[tuple[float, int], NDArray[np.float64]] = {}

    def early(self, rate_hz: float, m: int) -> NDArray[np.float64]:
        """As `earliness`."""
        if (rate_hz, m) not in self._early:
            self._early[rate_hz, m] = earliness(self._plan, rate_hz, m)
        return self._early[rate_hz, m]

    def without(
        self,
        lag: NDArray[np.float64],
        behind: float,
        fade: float,
        rate_hz: float,
        m: int,
    ) -> NDArray[np.float64]:
        """The lag at which a train would repeat if the beam did not spread, (n,); see `shortened`.

        Parameters
        ----------
        lag, behind, fade
            In samples.
        rate_hz, m
            Of the records.
        """
        early, found = self.early(rate_hz, m), np.zeros(len(lag))
        reflection = self._plan.setup.interface_reflection
        if early.size > 0:
            fall = 1.0 if reflection is None else abs(reflection)
            shortened(early, lag, behind, fall, fade, found)
        return lag + found


def earliness(plan: Plan, rate_hz: float, m: int) -> NDArray[np.float64]:
    """Samples by which an echo of the wall comes too early, by samples behind the interface, (m,).

    Counted from the interface echo, in direct contact from the clock's zero offset. Empty where the
    set-up does not name the dimensions.

    The phase of D over all frequencies is that of the delay that fits it best, by least squares
    with the pulse's power as weight.
    """
    setup = plan.setup
    delay, diameter = setup.delay_line, setup.element_diameter
    if delay is None and plan.interface_s is None:  # in direct contact the wave begins as a plane
        tip = PLANE
    elif delay and delay.velocity and delay.length and plan.interface_s is not None:
        tip = 2 * delay.length * delay.velocity
    else:
        return np.empty(0)
    if diameter is None:
        return np.empty(0)
    hertz = BAND * setup.centre_frequency
    weight = np.abs(pulse_spectrum(setup, hertz)) ** 2
    area = (diameter / 2) ** 2
    before = tip / hertz / area
    times = np.linspace(0, m, TIMES)
    behind = setup.velocity**2 * times[:, None] / rate_hz / hertz / area
    ahead = np.angle(piston(before + behind) / piston(before))
    turn = 2 * np.pi * hertz / rate_hz
    found = ahead @ (weight * turn) / np.sum(weight * turn**2)
    return np.asarray(np.interp(np.arange(m), times, found))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def shortened(
    early: NDArray[np.float64], lag: NDArray[np.float64], behind: float, reflection: float,
    fade: float, found: NDArray[np.float64],
) -> None:  # fmt: skip
    """Fill in by how many samples spreading shortens the lag at which a train of echoes repeats.

    The mean over neighbours in the train, each weighted by the energy that reflection and fading
    leave it.

    Parameters
    ----------
    early
        As from `earliness`.
    lag
        Samples, (n,); NaN = none.
    behind
        Samples behind the interface echo from which the train is seen; less than 0: with that echo.
    reflection
        Modulus, of the interface.
    fade
        Time constant of what fades the train out, samples.
    found
        (n,).
    """
    for row in range(lag.size):
        step = lag[row]
        if not step > 0:
            continue
        order = np.ceil(behind / step) if behind > 0 else 0.0
        fall = reflection * reflection * np.exp(-2 * step / fade)
        weight, total, weights = 1.0, 0.0, 0.0
        here = early_at(early, order * step)
        while weight > LEAST_WEIGHT and order * step < early.size:
            order += 1
            after = early_at(early, order * step)
            total += weight * (after - here)
            weights += weight
            weight *= fall
            here = after
        found[row] = total / weights if weights > 0 else 0.0


@numba.njit(cache=True, nogil=True, error_model="numpy")
def early_at(early: NDArray[np.float64], behind: float) -> float:
    """How early an echo comes that lies so many samples behind the interface echo."""
    if not behind > 0:
        return 0.0
    if behind >= early.size - 1:
        return float(early[-1])
    i = int(behind)
    return float(early[i] + (behind - i) * (early[i + 1] - early[i]))
