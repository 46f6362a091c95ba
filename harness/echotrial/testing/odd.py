"""Records that hold no measurement at all, and still must not bring a detector down."""

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from echotrial.testing.signals import Record, Scene, trace

Samples = NDArray[np.float64]


def _square(scene: Scene) -> Samples:
    periods = np.arange(scene.n_samples) / scene.rate_hz * scene.setup.centre_frequency
    return np.where(periods % 1 < 0.5, 1.0, -1.0)


def _slow_square(scene: Scene) -> Samples:
    return np.where(np.arange(scene.n_samples) // 64 % 2 == 0, 1.0, -1.0)


def _alternating(scene: Scene) -> Samples:
    return np.where(np.arange(scene.n_samples) % 2 == 0, 1.0, -1.0)


def spike(scene: Scene, position: int, height: float) -> Samples:
    """Nothing but one sample."""
    found = np.zeros(scene.n_samples)
    found[position % scene.n_samples] = height
    return found


def _one_nan(scene: Scene) -> Samples:
    found = trace(scene, Record())
    found[scene.n_samples // 2] = np.nan
    return found


def _infinite(scene: Scene) -> Samples:
    found = trace(scene, Record())
    found[scene.n_samples // 3] = np.inf
    return found


#: name -> maker of the record
ODD: Final[dict[str, Callable[[Scene], Samples]]] = {
    "silence": lambda scene: np.zeros(scene.n_samples),
    "constant": lambda scene: np.full(scene.n_samples, 0.5),
    "constant at full scale": lambda scene: np.ones(scene.n_samples),
    "constant at minus full scale": lambda scene: -np.ones(scene.n_samples),
    "full-scale square at the centre frequency": _square,
    "slow full-scale square": _slow_square,
    "full scale, sign by sign": _alternating,
    "ramp": lambda scene: np.linspace(-1, 1, scene.n_samples),
    "spike at the first sample": lambda scene: spike(scene, 0, 1.0),
    "spike in the middle": lambda scene: spike(scene, scene.n_samples // 2, -1.0),
    "spike at the last sample": lambda scene: spike(scene, -1, 1.0),
    "least spike that float32 has": lambda scene: spike(scene, 99, 1e-45),
    "all NaN": lambda scene: np.full(scene.n_samples, np.nan),
    "one NaN": _one_nan,
    "one infinity": _infinite,
    "clipped echoes": lambda scene: np.clip(20 * trace(scene, Record()), -1, 1),
}
