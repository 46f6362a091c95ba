"""From a noise-free record to what the screen shows: gain, noise, interference, clipping, bits."""

# mypy: disable-error-code="no-untyped-def, no-untyped-call"

import math

import numpy as np
from numpy.typing import NDArray

from echotrial_corpora.split import exponential, kernel

FULL_SCALE = 32767
Real = NDArray[np.float64]


@kernel
def _sines(samples, level, frequency_hz, decay_rate, phase, start, rate):
    """Add level x exp(-decay t) sin(2 pi f t + phase) from `start` seconds on to each record."""
    for i in range(level.size):
        if level[i] != 0:
            first = max(0, math.ceil(start[i] * rate))
            turn = complex(-decay_rate[i], 2 * math.pi * frequency_hz[i])
            z = exponential(turn * (first / rate - start[i]) + complex(0.0, phase[i]))
            turn = exponential(turn / rate)
            for k in range(first, samples.shape[1]):
                samples[i, k] += level[i] * z.imag
                z *= turn


def excite(params: np.ndarray, rate: float, clean: Real) -> None:
    """Add what the transmission pulse leaves behind (mode 1), from time 0 of the clock on."""
    p, none = params, np.zeros(params.size)
    quarter, start = none + 0.5 * np.pi, -p["start"]
    excitation = (p["excitation"], p["excitation_frequency"], p["excitation_rate"])
    for level, frequency, decay in (excitation, (p["recovery"], none, p["recovery_rate"])):
        _sines(clean, *_columns(level, frequency, decay, quarter, start), rate)


def digitise(
    params: np.ndarray, clean: Real, gains: Real, noise: Real, sigma: Real, rate: float, bits: int
) -> NDArray[np.int16]:
    """Clean x gain + noise x sigma + the rest, clipped and rounded, (n, m); `noise` is used up."""
    p, none = params, np.zeros(params.size)
    found = clean * gains[:, None]
    noise *= sigma[:, None]
    found += noise
    parts = (
        (p["hum"], p["hum_frequency"], none, p["hum_phase"], none),
        (p["baseline"], none, p["baseline_rate"], none + 0.5 * np.pi, none),
        (p["burst"], p["burst_frequency"], p["burst_rate"], none, p["burst_at"]),
    )
    for part in parts:
        if part[0].any():
            _sines(found, *_columns(*part), rate)
    steps = 2.0 ** (bits - 1)
    found *= steps
    np.clip(np.rint(found, out=found), -steps, steps - 1, out=found)
    found *= FULL_SCALE / steps
    return np.rint(found, out=found).astype(np.int16)


def _columns(*columns: Real) -> list[Real]:
    """Columns of a table of records, each in one piece: kernels are made for such only."""
    return [np.ascontiguousarray(column) for column in columns]
