"""Delay line | couplant | wall | air: what the model fit takes the set-up to say of the layers.

Unknowns are counted in periods of the centre frequency: `wall` and `gap` are round trips, so that
one set of numbers serves every probe.
"""

from dataclasses import dataclass, replace
from functools import cache

import numba
import numpy as np
import scipy
from echotrial.errors import NotApplicable
from echotrial.setup import Medium, Setup
from numpy.typing import NDArray

#: Couplant where the set-up names none: glycerin, 1260 kg/m^3 times 1904 m/s (handbook values).
COUPLANT, COUPLANT_IMPEDANCE, COUPLANT_VELOCITY = "glycerin", 2.40e6, 1904.0
#: Absorption over the square of the frequency, Np s^2/m, of couplants that absorb so much that it
#: matters in a film. Glycerin: Stokes's 8 pi^2 eta / (3 rho c^3) with 0.83 Pa s, its viscosity at
#: some 26 degrees Celsius (from memory), which halves in eight degrees: its size, and no more.
ABSORPTION = {"glycerin": 2.5e-12}
#: Strips of the aperture, and the reflection from which delay line and couplant make a resonator.
FEW_STRIPS, MANY_STRIPS, RESONANT = 5, 10, 0.2
LARGEST_PHASE = 8.0  # radians


@dataclass(frozen=True)
class Stack:
    """Reflection coefficients and times of a set-up.

    Attributes
    ----------
    delay_couplant, couplant_wall
        Pressure reflection coefficients going down, (Z2 - Z1) / (Z2 + Z1).
    period_s
        One over the centre frequency.
    couplant_velocity
        Turns gaps into round trips.
    couplant_loss
        Neper per period of travel at the centre frequency.
    """

    delay_couplant: float
    couplant_wall: float
    period_s: float
    couplant_velocity: float
    couplant_loss: float

    @property
    def film(self) -> "Stack":
        """The same with the couplant's own impedance for the wall: a film on a lifted probe."""
        return replace(self, couplant_wall=0.0)

    @property
    def interface(self) -> float:
        """Reflection coefficient of delay line against wall without couplant between."""
        a, b = self.delay_couplant, self.couplant_wall
        return (a + b) / (1 + a * b)

    @property
    def resonant(self) -> bool:
        """Whether delay line and couplant make a resonator of the gap."""
        return abs(self.delay_couplant) > RESONANT

    def gap_periods(self, gap_m: float) -> float:
        """Round trip of a couplant gap, in periods."""
        return 2 * gap_m / self.couplant_velocity / self.period_s


def stack_of(setup: Setup) -> Stack:
    """Read the layers from the set-up.

    Raises
    ------
    NotApplicable
        Without the impedances of delay line and wall there is no layer model.
    """
    delay, wall = _impedance(setup.delay_line), _impedance(setup.wall)
    if delay is None or wall is None:
        raise NotApplicable("the layer model needs the impedances of delay line and wall")
    couplant = _impedance(setup.couplant) or COUPLANT_IMPEDANCE
    velocity = setup.couplant.velocity if setup.couplant else None
    return Stack(
        (couplant - delay) / (couplant + delay),
        (wall - couplant) / (wall + couplant),
        1 / setup.centre_frequency,
        velocity or COUPLANT_VELOCITY,
        _couplant_loss(setup, velocity or COUPLANT_VELOCITY),
    )


def _couplant_loss(setup: Setup, velocity: float) -> float:
    """Neper per period of travel at the centre frequency."""
    name = setup.couplant.material if setup.couplant else COUPLANT
    absorption = ABSORPTION.get(name or "", 0.0)
    return absorption * setup.centre_frequency * velocity


def _impedance(medium: Medium | None) -> float | None:
    return None if medium is None else medium.impedance


@dataclass(frozen=True)
class Aperture:
    """Strips of the aperture under a convex tube.

    The gap grows as the square of the distance y from the line of contact, v = y^2 in [0, 1]. A
    round tip weighs v by v^(-1/2) (1 - v)^(1/2), a square one by v^(-1/2), a tilt changes either:
    so the weights are `share` plus an unknown, the *shape*, times `lean`.

    Attributes
    ----------
    excess
        v of each strip.
    share
        Weights half way between a round tip and a square one.
    lean
        Weights of a square tip minus those of a round one; sums to zero.
    """

    excess: NDArray[np.float64]
    share: NDArray[np.float64]
    lean: NDArray[np.float64]

    @property
    def mean_excess(self) -> float:
        """Mean of v."""
        return float(self.excess @ self.share)


@cache
def aperture(delay_couplant: float) -> Aperture:
    """Quadrature in v: Gauss-Jacobi nodes between those of the two weights.

    The more of the sound stays in the couplant, the sharper its resonance and the more strips it
    takes. The weights are the best ones for exp(-j phase v) up to the phase of a spread of one
    period at the upper end of a wide band.
    """
    count = FEW_STRIPS if abs(delay_couplant) < RESONANT else MANY_STRIPS
    excess = (scipy.special.roots_jacobi(count, 0.25, -0.5)[0] + 1) / 2
    phase = np.linspace(0.0, LARGEST_PHASE, 200)
    y = (np.arange(2000) + 0.5) / 2000
    round_tip = np.sqrt(1 - y**2) / np.sqrt(1 - y**2).sum()
    square_tip = np.full_like(y, 1 / y.size)
    wanted = np.exp(-1j * np.outer(phase, y**2)) @ np.stack([round_tip, square_tip], axis=1)
    have = np.exp(-1j * np.outer(phase, excess))
    weights = np.linalg.lstsq(
        np.vstack([have.real, have.imag]), np.vstack([wanted.real, wanted.imag]), rcond=None
    )[0]
    weights /= weights.sum(axis=0)
    return Aperture(excess, weights.mean(axis=1), weights[:, 1] - weights[:, 0])


def answer(
    theta: NDArray[np.float64],
    couplant_wall: NDArray[np.float64],
    s: NDArray[np.complex128],
    law: NDArray[np.complex128],
    stack: Stack,
) -> NDArray[np.complex128]:
    """What each wall makes of a pulse: minus the stack's pressure reflection, at its arrival.

    Averaged over the aperture. Kinsler et al., *Fundamentals of Acoustics*, ch. 6 (layers by
    recursion from the back, air taken as pressure release).

    Parameters
    ----------
    theta
        (j, 6): arrival, wall, gap, spread in periods, loss in neper per period of travel, shape.
    couplant_wall
        (j,): reflection coefficient of couplant against wall, 0 of a film without a wall.
    s
        Complex frequency over the centre frequency, damping + j 2 pi f / f0, at even steps; (m,).
    law
        (2, m): loss relative to that at the centre frequency, with its dispersion; and what else
        is added to the wall's exponent per period of travel (`beam.spreading`).

    Returns
    -------
    ndarray
        (j, m).
    """
    strips = aperture(stack.delay_couplant)
    found = np.empty((len(theta), s.size), dtype=np.complex128)
    _answer(
        np.ascontiguousarray(theta), couplant_wall, stack.delay_couplant, stack.couplant_loss,
        np.stack([strips.excess, strips.share, strips.lean]), s[0],
        float(s[1].imag - s[0].imag), law, found,
    )  # fmt: skip
    return found


@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract", "nsz"})
def _answer(
    theta: NDArray[np.float64],
    r12: NDArray[np.float64],
    r01: float,
    film: float,
    strips: NDArray[np.float64],
    first: complex,
    step: float,
    law: NDArray[np.complex128],
    found: NDArray[np.complex128],
) -> None:
    """Bins are equally spaced: from one to the next a delay turns by the same angle."""
    count = strips.shape[1]
    turn = step * (1j + film / np.pi)
    through, turns = np.empty(count, np.complex128), np.empty(count, np.complex128)
    for row in range(theta.shape[0]):
        arrival, wall, gap, spread, loss, shape = theta[row]
        for q in range(count):
            delay = gap + spread * strips[0, q]
            through[q] = np.exp(-delay * couplant(first, film))
            turns[q] = np.exp(-delay * turn)
        shift, shift_turn = -np.exp(-arrival * first), np.exp(-1j * arrival * step)
        trip, trip_turn = np.exp(-wall * first), np.exp(-1j * wall * step)
        for k in range(found.shape[1]):
            back = trip * np.exp(-wall * (loss * law[0, k] + law[1, k]))
            below = (r12[row] - back) * inverse(1 - r12[row] * back)
            total = 0j
            for q in range(count):
                lower = below * through[q]
                weight = strips[1, q] + shape * strips[2, q]
                total += weight * (r01 + lower) * inverse(1 + r01 * lower)
                through[q] *= turns[q]
            found[row, k] = shift * total
            trip, shift = trip * trip_turn, shift * shift_turn


@numba.njit(cache=True, nogil=True, error_model="numpy")
def inverse(z: complex) -> complex:
    """1 / z, without the care that a division takes of overflow."""
    return z.conjugate() * (1 / (z.real * z.real + z.imag * z.imag))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def couplant(s: complex, loss: float) -> complex:
    """Exponent per period of travel in the couplant, whose `loss` grows as the frequency squared.

    That square's tangent at the centre frequency takes its place: so even steps of frequency go
    on multiplying by the same number.
    """
    return s + loss * (s.imag / np.pi - 1)
