"""From a noise-free record to what the screen shows: gain, noise, interference, clipping, bits."""

# mypy: disable-error-code="no-untyped-def, no-untyped-call"

import math

import numpy as np
from numpy.typing import NDArray

from echotrial_corpora.split import at, exponential, kernel, part, put

FULL_SCALE = 32767
Real = NDArray[np.float64]
Single = NDArray[np.float32]
#: Samples of a sine worked out side by side.
DOUBLINGS = 3
LANES = 2**DOUBLINGS
#: Nepers after which what decays has gone: 1e-7 of what it was.
GONE = 16.0


@part
def _add_sine(row, level, frequency_hz, decay_rate, phase, start, rate, w):
    """Add level x exp(-decay t) sin(2 pi f t + phase) from `start` seconds on to a record."""
    first, last = max(0, math.ceil(start * rate)), row.size
    if decay_rate > 0:
        last = min(last, first + math.ceil(GONE / decay_rate * rate))
    turn = complex(-decay_rate, 2 * math.pi * frequency_hz)
    z = level * exponential(turn * (first / rate - start) + complex(0.0, phase))
    turn = exponential(turn / rate)
    for j in range(LANES):
        put(w, j, LANES, z)
        z *= turn
    for _ in range(DOUBLINGS):
        turn *= turn
    for k in range(first, last, LANES):
        for j in range(min(LANES, last - k)):
            z = at(w, j, LANES)
            row[k + j] += z.imag
            put(w, j, LANES, z * turn)


@kernel
def excite(params, rate, clean):
    """Add what the transmission pulse leaves behind (mode 1), from time 0 of the clock on."""
    w = np.empty(2 * LANES)
    for i in range(params.size):
        p = params[i]
        level, f, decay = p.excitation, p.excitation_frequency, p.excitation_rate
        for _ in range(2):  # one call, compiled once
            _add_sine(clean[i], level, f, decay, 0.5 * math.pi, -p.start, rate, w)
            level, f, decay = p.recovery, 0.0, p.recovery_rate


@kernel
def _digitise(params, clean, gains, noise, sigma, rate, steps, out):
    row, w = np.empty(clean.shape[1]), np.empty(2 * LANES)
    to_int16 = FULL_SCALE / steps
    for i in range(params.size):
        p = params[i]
        for k in range(row.size):
            row[k] = clean[i, k] * gains[i] + noise[i, k] * sigma[i]
        # hum, baseline and burst through one call, compiled once
        level, f, decay, phase, start = p.hum, p.hum_frequency, 0.0, p.hum_phase, 0.0
        for number in range(3):
            if number == 1:
                level, f, decay, phase = p.baseline, 0.0, p.baseline_rate, 0.5 * math.pi
            elif number == 2:
                level, f, decay, phase = p.burst, p.burst_frequency, p.burst_rate, 0.0
                start = p.burst_at
            if level != 0:
                _add_sine(row, level, f, decay, phase, start, rate, w)
        for k in range(row.size):
            level = min(max(math.floor(row[k] * steps + 0.5), -steps), steps - 1)
            out[i, k] = math.floor(level * to_int16 + 0.5)


def digitise(
    params: np.ndarray, clean: Real, gains: Real, noise: Single, sigma: Real, rate: float, bits: int
) -> NDArray[np.int16]:
    """Clean x gain + noise x sigma + the rest, clipped and rounded, (n, m)."""
    out = np.empty(clean.shape, np.int16)
    _digitise(params, clean, gains, noise, sigma, rate, 2.0 ** (bits - 1), out)
    return out
