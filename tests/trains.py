"""Echo trains by the method of images: delayed copies of one pulse, heights in closed form.

Delay line | wall | air, no couplant: e0 = r, e_n = -(1 - r^2) r^(n-1) of the incident pressure
(Brekhovskikh, Waves in Layered Media, from memory); the reference echo has -1, so signs turn over.
Invented data: no wave was recorded.
"""

import numpy as np
from echotrial.ascan import Batch
from echotrial.setup import Medium, Setup, Waveform
from numpy.typing import NDArray

RATE = 100e6
M = 1024
INTERFACE = 1.2e-6


def pulse(time_s: NDArray[np.float64], f0: float, phase: float = 0.7) -> NDArray[np.float64]:
    """Gaussian pulse, 60 % bandwidth at -6 dB, envelope peak at time zero."""
    sigma = 2 * np.sqrt(2 * np.log(10**0.3)) / (2 * np.pi * 0.6 * f0)
    envelope = np.exp(-0.5 * (time_s / sigma) ** 2)
    return np.asarray(envelope * np.cos(2 * np.pi * f0 * time_s + phase))


def setup(*, metal: bool = True, **changes: object) -> Setup:
    """A 20 MHz probe on steel, or a 10 MHz one on nylon, both on polystyrene."""
    f0 = 20e6 if metal else 10e6
    time = np.arange(M) / RATE
    values = {
        "centre_frequency": f0,
        "bandwidth": 0.6 * f0,
        "velocity": 5740.0 if metal else 2620.0,
        "interface_echo": INTERFACE,
        "wall_range": (0.1e-3, 1.4e-3),
        "delay_line": Medium(impedance=2.47e6),
        "wall": Medium(impedance=45.9e6 if metal else 2.99e6),
        "reference_echo": Waveform(0.5 * pulse(time - INTERFACE, f0).astype(np.float32), RATE),
        **changes,
    }
    return Setup.model_validate(values)


def trains(
    known: Setup,
    walls_m: NDArray[np.float64],
    *,
    noise: float = 0.0,
    loss: float = 1.0,
    seed: int = 7,
) -> Batch:
    """One record a wall; `loss` is what a round trip through the wall leaves of the amplitude."""
    time = np.arange(M) / RATE
    f0, r = known.centre_frequency, known.interface_reflection
    assert r is not None
    wave = -r * pulse(time - INTERFACE, f0) + np.zeros((walls_m.size, 1))
    for n in range(1, 60):
        delay = (2 * n / known.velocity) * walls_m[:, None]
        wave += (1 - r**2) * r ** (n - 1) * loss**n * pulse(time - INTERFACE - delay, f0)
    wave += noise * np.random.default_rng(seed).standard_normal(wave.shape)
    return Batch.of(0.5 * wave, RATE, 0.0, known)
