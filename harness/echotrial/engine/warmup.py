"""Invented A-scans on which kernels compile before any time is taken."""

import numpy as np

from echotrial.ascan import Batch

_RECORDS = 4


def practice(batch: Batch) -> Batch:
    """A few records like a train of echoes, with the shape, clock and set-up of `batch`."""
    setup, m = batch.setup, batch.samples.shape[1]
    time = np.arange(m) / batch.rate_hz
    first = time[m // 8] if setup.interface_echo is None else setup.interface_echo
    first = float(np.clip(first - batch.start_s[0], 0.0, time[-1]))
    width = 1 / setup.bandwidth_hz
    samples = 1e-3 * np.random.default_rng(0).standard_normal((_RECORDS, m))
    for row, wall in enumerate(np.linspace(*setup.wall_range, _RECORDS)):
        for order in range(5):
            lag = time - first - order * setup.interval_s(wall)
            wave = np.exp(-((lag / width) ** 2)) * np.cos(2 * np.pi * setup.centre_frequency * lag)
            samples[row] += 0.5 * 0.6**order * wave
    return Batch.of(samples, batch.rate_hz, batch.start_s[:1], setup)
