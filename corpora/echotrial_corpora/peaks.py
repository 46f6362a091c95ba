"""Envelope peaks of single echoes from few frequencies, to far below a sample.

The analytic signal at any time is a short sum z(t) = sum X_k exp(s_k t); a search over a few
times finds the highest lobe, and Newton's method on |z|^2, whose derivatives are such sums too,
finds its top.
"""

# mypy: disable-error-code="no-untyped-def, no-untyped-call"

import math

import numpy as np
from numpy.typing import NDArray

from echotrial_corpora.split import kernel, part, scaled

NEWTON_STEPS = 6
#: Half-widths searched on either side of where the first order should be.
WIDE = 8


@part
def _sums(x, s, step, t):
    """Sum of x_k exp((s + k step) t) over the bins k; with k and with k^2 as weights.

    The phase that all bins share is left out: it turns all three alike.
    """
    angle = step.imag * t
    phasor, turn = complex(math.exp(s.real * t), 0.0), complex(math.cos(angle), math.sin(angle))
    z, z1, z2, number = 0j, 0j, 0j, 0.0
    for k in range(x.size):
        term = x[k] * phasor
        z += term
        term = scaled(term, number)
        z1 += term
        z2 += scaled(term, number)
        phasor *= turn
        number += 1
    return z, z1, z2


def analytic(x: NDArray[np.complex128], s: complex, step: complex, t: float) -> complex:
    """Analytic signal at `t` of a spectrum on s, s + step ...; its scale is left out."""
    return complex(np.sum(x * np.exp((s + step * np.arange(x.size)) * t)))


@part
def highest(x, s, step, guess, spacing, reach):
    """The time of highest envelope among `guess` and `reach` others on either side."""
    best, height = guess, -1.0
    for i in range(-reach, reach + 1):
        t = guess + spacing * i
        z, _, _ = _sums(x, s, step, t)
        power = z.real * z.real + z.imag * z.imag
        if power > height:
            best, height = t, power
    return best


@part
def summit(x, s, step, start, width):
    """Time and height of the top of the lobe at `start`, by Newton's method."""
    t, height = start, 0.0
    for _ in range(NEWTON_STEPS):
        z, by_k, by_k2 = _sums(x, s, step, t)
        z1 = s * z + step * by_k
        z2 = s * (z1 + step * by_k) + step * step * by_k2
        height = math.sqrt(z.real * z.real + z.imag * z.imag)
        slope = z.real * z1.real + z.imag * z1.imag
        bend = z1.real * z1.real + z1.imag * z1.imag + z.real * z2.real + z.imag * z2.imag
        if bend >= 0:
            break
        move = min(max(-slope / bend, -0.3 * width), 0.3 * width)
        t += move
        if abs(move) < 1e-3 * width:  # the next move would be the square of that
            break
    return t, height


@kernel
def order_peaks(trip, guesses, terms, s, step, width, end, times, heights):
    """Peaks up to `end` of every order of every record, seconds from sample 0, else NaN.

    Parameters
    ----------
    trip, guesses
        (n,) round trip through the wall and where to look for its first echo, seconds; NaN where
        there is no wall.
    """
    for i in range(guesses.size):
        guess = guesses[i]
        for k in range(terms.shape[1] if guess == guess else 0):
            if k < 2:
                near = 0.5 * width if k == 0 else width
                guess = highest(terms[i, k], s, step, guess, near, WIDE if k == 0 else 1)
            t, h = summit(terms[i, k], s, step, guess, width)
            if not t < end:
                break
            times[i, k], heights[i, k] = t, h
            guess = t + (t - times[i, k - 1] if k > 0 else trip[i])


@kernel
def summits(spectra, s, step, starts, width, times, heights):
    """Time and height of the top of the lobe at `starts`, for each of `spectra`, (n, bins)."""
    for i in range(starts.size):
        times[i], heights[i] = summit(spectra[i], s, step, starts[i], width)
