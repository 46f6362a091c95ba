"""Gauss-Newton on the layer model, one record and start at a time.

Unknowns: arrival, wall, gap, spread (periods), loss (neper per period of travel), shape (see
`stack.Aperture`); the amplitude is projected out. What is minimised is
freedom * log(residual energy) + sum of squared priors, minus twice the log posterior with the
noise level unknown.
"""

import numba
import numpy as np
from numpy.typing import NDArray

ARRIVAL, WALL, GAP, SPREAD, LOSS, SHAPE = range(6)
UNKNOWNS = 6

_Complex = NDArray[np.complex128]
_Real = NDArray[np.float64]


@numba.njit(cache=True, nogil=True, error_model="numpy")
def inverse(z: complex) -> complex:
    """1/z without the branches against overflow: |z| is near one here."""
    return z.conjugate() * (1 / (z.real * z.real + z.imag * z.imag))


@numba.njit(cache=True, nogil=True, error_model="numpy")
def small_exp(z: complex) -> complex:
    """exp(z) for |z| up to about one, to 1e-4: the [2/2] Pade approximant of z/2, squared."""
    half = 0.5 * z
    even = 1 + half * half / 12
    root = (even + 0.5 * half) * inverse(even - 0.5 * half)
    return root * root


@numba.njit(cache=True, nogil=True, error_model="numpy")
def accumulate(
    theta: _Real,
    y: _Complex,
    pulse: _Complex,
    s: _Complex,
    law: _Complex,
    excess: _Real,
    share: _Real,
    lean: _Real,
    r01: float,
    r12: float,
    gram: _Real,
    onto: _Real,
) -> None:
    """Inner products of the model and its derivatives, `gram` (7, 7), and with y, `onto` (7,).

    Row 0 is the model itself at unit amplitude, row i + 1 its derivative by unknown i. Bins are
    equally spaced, so all delays are made by recurrence.
    """
    gram[:] = 0.0
    onto[:] = 0.0
    count = excess.size
    step = s[1] - s[0]
    film = np.empty(count, np.complex128)
    film_ratio = np.empty(count, np.complex128)
    for k in range(count):
        delay = theta[GAP] + theta[SPREAD] * excess[k]
        film[k] = np.exp(-delay * s[0])
        film_ratio[k] = np.exp(-delay * step)
    shift = np.exp(-theta[ARRIVAL] * s[0])
    shift_ratio = np.exp(-theta[ARRIVAL] * step)
    path = np.exp(-theta[WALL] * s[0])
    path_ratio = np.exp(-theta[WALL] * step)
    row = np.empty(UNKNOWNS + 1, np.complex128)
    t01 = 1 - r01 * r01
    for b in range(s.size):
        extra = theta[LOSS] * law[0, b] + law[1, b]
        rate = s[b] + extra
        trip = path * small_exp(-theta[WALL] * extra)
        path *= path_ratio
        v = inverse(1 - r12 * trip)
        below = (r12 - trip) * v
        slope = (r12 * r12 - 1) * v * v * trip
        total = 0j
        through = 0j
        through_excess = 0j
        leaning = 0j
        for k in range(count):
            lower = below * film[k]
            v = inverse(1 + r01 * lower)
            weight = share[k] + theta[SHAPE] * lean[k]
            answer = (r01 + lower) * v
            total += weight * answer
            leaning += lean[k] * answer
            part = weight * t01 * v * v * film[k]
            through += part
            through_excess += part * excess[k]
            film[k] *= film_ratio[k]
        base = -pulse[b] * shift
        shift *= shift_ratio
        row[0] = base * total
        row[1 + ARRIVAL] = -s[b] * row[0]
        wall_part = base * through * slope
        row[1 + WALL] = -rate * wall_part
        row[1 + LOSS] = -theta[WALL] * law[0, b] * wall_part
        gap_part = -s[b] * base * below
        row[1 + GAP] = gap_part * through
        row[1 + SPREAD] = gap_part * through_excess
        row[1 + SHAPE] = base * leaning
        for i in range(UNKNOWNS + 1):
            onto[i] += row[i].real * y[b].real + row[i].imag * y[b].imag
            for j in range(i + 1):
                gram[i, j] += row[i].real * row[j].real + row[i].imag * row[j].imag


@numba.njit(cache=True, nogil=True, error_model="numpy")
def misfit(
    theta: _Real,
    energy: float,
    freedom: float,
    gram: _Real,
    onto: _Real,
    prior: _Real,
    spread: _Real,
) -> tuple[float, float, float]:
    """(what is minimised, residual energy, amplitude); a negative amplitude explains nothing."""
    amplitude = max(onto[0], 0.0) / gram[0, 0]
    residual = max(energy - amplitude * onto[0], 1e-12 * energy)
    penalty = 0.0
    for i in range(UNKNOWNS):
        penalty += ((theta[i] - prior[i]) / spread[i]) ** 2
    return freedom * np.log(residual / energy) + penalty, residual, amplitude


@numba.njit(cache=True, nogil=True, error_model="numpy")
def normal_equations(
    theta: _Real,
    noise: float,
    amplitude: float,
    gram: _Real,
    onto: _Real,
    prior: _Real,
    spread: _Real,
    hessian: _Real,
    gradient: _Real,
) -> None:
    """Half the Hessian and the negative half gradient by the unknowns, amplitude projected out."""
    for i in range(UNKNOWNS):
        gradient[i] = (
            amplitude * (onto[i + 1] - amplitude * gram[i + 1, 0]) / noise
            - (theta[i] - prior[i]) / spread[i] ** 2
        )
        for j in range(i + 1):
            value = gram[i + 1, j + 1] - gram[i + 1, 0] * gram[j + 1, 0] / gram[0, 0]
            hessian[i, j] = hessian[j, i] = amplitude * amplitude * value / noise
        hessian[i, i] += 1 / spread[i] ** 2


@numba.njit(cache=True, nogil=True, error_model="numpy")
def hold(theta: _Real, floor: _Real, hessian: _Real, gradient: _Real) -> None:
    """Take unknowns that rest on their floor and want to go below it out of the equations."""
    for i in range(UNKNOWNS):
        if theta[i] <= floor[i] and gradient[i] < 0:
            hessian[i, :] = 0.0
            hessian[:, i] = 0.0
            hessian[i, i] = 1.0
            gradient[i] = 0.0


@numba.njit(cache=True, nogil=True, error_model="numpy")
def refine(
    theta: _Real,
    y: _Complex,
    pulse: _Complex,
    s: _Complex,
    law: _Complex,
    excess: _Real,
    share: _Real,
    lean: _Real,
    r01: float,
    r12: float,
    freedom: float,
    prior: _Real,
    spread: _Real,
    floor: _Real,
    rounds: int,
    enough: float,
    result: _Real,
) -> None:
    """Levenberg-Marquardt from `theta`, which is moved to the minimum.

    Ends with the round that gains less than `enough`.

    `result` takes: what is minimised, residual energy and amplitude for a record of unit energy.
    """
    gram, onto = np.empty((UNKNOWNS + 1, UNKNOWNS + 1)), np.empty(UNKNOWNS + 1)
    trial_gram, trial_onto = np.empty((UNKNOWNS + 1, UNKNOWNS + 1)), np.empty(UNKNOWNS + 1)
    hessian, gradient = np.empty((UNKNOWNS, UNKNOWNS)), np.empty(UNKNOWNS)
    trial = np.empty(UNKNOWNS)
    energy = 0.0
    for b in range(y.size):
        energy += y[b].real ** 2 + y[b].imag ** 2
    accumulate(theta, y, pulse, s, law, excess, share, lean, r01, r12, gram, onto)
    value, residual, amplitude = misfit(theta, energy, freedom, gram, onto, prior, spread)
    damping = 1e-3
    for _ in range(rounds):
        noise = residual / freedom
        normal_equations(theta, noise, amplitude, gram, onto, prior, spread, hessian, gradient)
        hold(theta, floor, hessian, gradient)
        for i in range(UNKNOWNS):
            hessian[i, i] *= 1 + damping
        step = np.linalg.solve(hessian, gradient)
        for i in range(UNKNOWNS):
            trial[i] = max(theta[i] + step[i], floor[i])
        accumulate(trial, y, pulse, s, law, excess, share, lean, r01, r12, trial_gram, trial_onto)
        found, found_residual, found_amplitude = misfit(
            trial, energy, freedom, trial_gram, trial_onto, prior, spread
        )
        if found < value:
            gain = value - found
            value, residual, amplitude = found, found_residual, found_amplitude
            theta[:] = trial
            gram[:] = trial_gram
            onto[:] = trial_onto
            damping *= 0.1
            if gain < enough:
                break
        else:
            damping = max(10 * damping, 1e-2)
            if damping > 1e4:
                break
    result[0], result[1], result[2] = value, residual / energy, amplitude / np.sqrt(energy)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def deviation(
    theta: _Real,
    pulse: _Complex,
    s: _Complex,
    law: _Complex,
    pulse_twice: _Complex,
    s_twice: _Complex,
    law_twice: _Complex,
    excess: _Real,
    share: _Real,
    lean: _Real,
    r01: float,
    r12: float,
    noise: float,
    amplitude: float,
    spread: _Real,
) -> float:
    """Standard deviation of the wall with all other unknowns free.

    Under the exponential the noise is not white, so the inverse Hessian alone would be wrong; the
    sandwich H^-1 S H^-1 (least squares with noise of known covariance) is right. S is made of
    inner products of derivatives weighted by the noise's variance, the exponential's square, and
    these are inner products under twice the damping: `pulse_twice`, `s_twice`, `law_twice`.
    """
    unused = np.zeros(s.size, np.complex128)
    onto = np.empty(UNKNOWNS + 1)
    bread = np.empty((UNKNOWNS + 1, UNKNOWNS + 1))
    filling = np.empty((UNKNOWNS + 1, UNKNOWNS + 1))
    accumulate(theta, unused, pulse, s, law, excess, share, lean, r01, r12, bread, onto)
    accumulate(
        theta, unused, pulse_twice, s_twice, law_twice, excess, share, lean, r01, r12, filling, onto
    )
    for i in range(UNKNOWNS + 1):
        for j in range(i + 1):
            scale = 1.0 / noise
            if i > 0:
                scale *= amplitude
            if j > 0:
                scale *= amplitude
            bread[i, j] = bread[j, i] = scale * bread[i, j]
            filling[i, j] = filling[j, i] = scale * filling[i, j]
    for i in range(UNKNOWNS):
        bread[i + 1, i + 1] += 1 / spread[i] ** 2
        filling[i + 1, i + 1] += 1 / spread[i] ** 2
    unit = np.zeros(UNKNOWNS + 1)
    unit[1 + WALL] = 1.0
    lever = np.linalg.solve(bread, unit)
    variance = 0.0
    for i in range(UNKNOWNS + 1):
        for j in range(UNKNOWNS + 1):
            variance += lever[i] * filling[i, j] * lever[j]
    return float(np.sqrt(max(variance, 0.0)))
