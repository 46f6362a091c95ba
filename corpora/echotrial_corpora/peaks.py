"""Envelope peaks of single echoes from few frequencies, to far below a sample.

The analytic signal at any time is a short sum z(t) = sum X_k exp(s_k t); a search over a few
times finds the highest lobe, and Newton's method on |z|^2, whose derivatives are such sums too,
finds its top.
"""

# mypy: disable-error-code="no-untyped-def, no-untyped-call"

import numpy as np
from numba import njit
from numpy.typing import NDArray

NEWTON_STEPS = 6
#: Half-widths searched on either side of where the first order should be.
WIDE = 8


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "reassoc"})
def _sum(x, s, step, t):
    """Analytic signal at `t` and its first two derivatives."""
    phasor, turn = np.exp(s * t), np.exp(step * t)
    z, z1, z2 = 0j, 0j, 0j
    for k in range(x.size):
        term = x[k] * phasor
        z += term
        term *= s
        z1 += term
        z2 += term * s
        phasor *= turn
        s += step
    return z, z1, z2


def analytic(x: NDArray[np.complex128], s: complex, step: complex, t: float) -> complex:
    """Analytic signal at `t` of a spectrum on s, s + step ...; its scale is left out."""
    return complex(np.sum(x * np.exp((s + step * np.arange(x.size)) * t)))


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "reassoc"})
def _power(x, s, step, t):
    """Squared envelope at `t`."""
    phasor, turn, z = np.exp(s * t), np.exp(step * t), 0j
    for k in range(x.size):
        z += x[k] * phasor
        phasor *= turn
    return z.real * z.real + z.imag * z.imag


@njit(cache=True, nogil=True, error_model="numpy")
def highest(x, s, step, guess, spacing, reach):
    """The time of highest envelope among `guess` and `reach` others on either side."""
    best, height = guess, -1.0
    for i in range(-reach, reach + 1):
        power = _power(x, s, step, guess + spacing * i)
        if power > height:
            best, height = guess + spacing * i, power
    return best


@njit(cache=True, nogil=True, error_model="numpy")
def summit(x, s, step, start, width):
    """Time and height of the top of the lobe at `start`, by Newton's method."""
    t, height = start, 0.0
    for _ in range(NEWTON_STEPS):
        z, z1, z2 = _sum(x, s, step, t)
        height = np.abs(z)
        slope = (z.conjugate() * z1).real
        bend = (z1.conjugate() * z1 + z.conjugate() * z2).real
        if bend >= 0:
            break
        move = min(max(-slope / bend, -0.3 * width), 0.3 * width)
        t += move
        if abs(move) < 1e-5 * width:  # the next move would be the square of that
            break
    return t, height


@njit(cache=True, nogil=True, error_model="numpy")
def order_peaks(params, gaps, weights, arrivals, terms, s, step, scale, width, end, times, heights):
    """Peaks up to `end` of every order of every wall record, seconds from sample 0, else NaN."""
    for i in range(params.size):
        if params[i].kind != 0:
            continue
        trip = 2 * params[i].thickness / params[i].velocity
        gap = (gaps[i] * weights).sum()
        guess = arrivals[i] + trip + 2 * gap / params[i].couplant_velocity
        for k in range(terms.shape[1]):
            if k == 0:
                guess = highest(terms[i, k], s, step, guess, 0.5 * width, WIDE)
            elif k == 1:
                guess = highest(terms[i, k], s, step, guess, width, 1)
            t, h = summit(terms[i, k], s, step, guess, width)
            if not t < end:
                break
            times[i, k], heights[i, k] = t, h * scale
            guess = t + (t - times[i, k - 1] if k > 0 else trip)
