"""From a noise-free record to what the screen shows: gain, noise, interference, clipping, bits."""

# mypy: disable-error-code="no-untyped-def, no-untyped-call"

import numpy as np
from numba import njit

FULL_SCALE = 32767


@njit(cache=True, nogil=True, error_model="numpy")
def _sine(samples, level, frequency_hz, decay_rate, phase, start, rate):
    """Add level x exp(-decay t) sin(2 pi f t + phase) from `start` seconds on."""
    first = max(0, int(np.ceil(start * rate)))
    t = first / rate - start
    z = level * np.exp((2j * np.pi * frequency_hz - decay_rate) * t + 1j * phase)
    turn = np.exp((2j * np.pi * frequency_hz - decay_rate) / rate)
    for i in range(first, samples.size):
        samples[i] += z.imag
        z *= turn


@njit(cache=True, nogil=True, error_model="numpy")
def excite(params, rate, clean):
    """Add what the transmission pulse leaves behind (mode 1), from time 0 of the clock on."""
    for i in range(params.size):
        p = params[i]
        if p.excitation > 0:
            _sine(
                clean[i], p.excitation, p.excitation_frequency, p.excitation_rate,
                0.5 * np.pi, -p.start, rate,
            )  # fmt: skip
        if p.recovery > 0:
            _sine(clean[i], p.recovery, 0.0, p.recovery_rate, 0.5 * np.pi, -p.start, rate)


@njit(cache=True, nogil=True, error_model="numpy")
def digitise(params, clean, gains, noise, sigma, rate, bits, out):
    """Fill `out` (n, m) int16: clean x gain + noise x sigma + the rest, clipped and rounded."""
    steps = 2 ** (bits - 1)
    row = np.empty(clean.shape[1])
    for i in range(params.size):
        p = params[i]
        for t in range(row.size):
            row[t] = clean[i, t] * gains[i] + noise[i, t] * sigma[i]
        if p.hum > 0:
            _sine(row, p.hum, p.hum_frequency, 0.0, p.hum_phase, 0.0, rate)
        if p.baseline != 0:
            _sine(row, p.baseline, 0.0, p.baseline_rate, 0.5 * np.pi, 0.0, rate)
        if p.burst > 0:
            _sine(row, p.burst, p.burst_frequency, p.burst_rate, 0.0, p.burst_at, rate)
        for t in range(row.size):
            step = min(max(np.rint(row[t] * steps), -steps), steps - 1)
            level = np.rint(step * FULL_SCALE / steps)
            out[i, t] = np.int16(level)
