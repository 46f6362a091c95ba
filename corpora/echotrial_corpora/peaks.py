"""Envelope peaks of single echoes from few frequencies, to far below a sample.

The analytic signal at any time is a short sum z(t) = sum X_k exp(s_k t); a search over a few
times finds the highest lobe, and Newton's method on |z|^2, whose derivatives are such sums too,
finds its top.
"""

import numpy as np
from numba import njit

NEWTON_STEPS = 6
#: Search for the first order, and again for each later one: times on either side of the guess.
WIDE, NARROW = 8, 4


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "reassoc"})
def _sum(x, s, step, t):  # type: ignore[no-untyped-def]
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


@njit(cache=True, nogil=True, error_model="numpy")
def peak(x, s, step, guess, width, reach):  # type: ignore[no-untyped-def]
    """Time and height of the envelope's peak within `reach` half-`width`s of `guess`."""
    best, height = guess, -1.0
    for i in range(-reach, reach + 1):
        t = guess + 0.5 * width * i
        z = _sum(x, s, step, t)[0]
        power = z.real * z.real + z.imag * z.imag
        if power > height:
            best, height = t, power
    for _ in range(NEWTON_STEPS):
        z, z1, z2 = _sum(x, s, step, best)
        slope = (z.conjugate() * z1).real
        bend = (z1.conjugate() * z1 + z.conjugate() * z2).real
        if bend >= 0:
            break
        move = min(max(-slope / bend, -0.3 * width), 0.3 * width)
        best += move
        if abs(move) < 1e-6 * width:
            break
    return best, np.abs(_sum(x, s, step, best)[0])


@njit(cache=True, nogil=True, error_model="numpy")
def order_peaks(params, gaps, weights, arrivals, terms, s, step, scale, width, times, heights):  # type: ignore[no-untyped-def]
    """Peaks of every order of every wall record, seconds from sample 0; others stay NaN."""
    for i in range(params.size):
        if params[i].kind != 0:
            continue
        trip = 2 * params[i].thickness / params[i].velocity
        gap = (gaps[i] * weights).sum()
        guess = arrivals[i] + trip + 2 * gap / params[i].couplant_velocity
        for k in range(terms.shape[1]):
            reach = WIDE if k == 0 else NARROW
            t, h = peak(terms[i, k], s, step, guess, width, reach)
            times[i, k], heights[i, k] = t, h * scale
            guess = t + trip
