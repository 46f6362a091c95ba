"""A-scans for the contract: plain echo trains that any sensible detector can read.

They are contract material, not an exam: a pulse, an interface echo, back-wall echoes that fall off
by one factor, white noise. Nothing here knows couplant, curvature or dispersion, and how well a
detector does on them says nothing of how well it measures. Invented data, all of it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from echotrial.ascan import Batch
from echotrial.setup import Medium, Setup, Waveform

#: At most so many back-wall echoes are made.
ORDERS = 8


@dataclass(frozen=True)
class Scene:
    """A set-up, its sampling, and how much of an echo one round trip through the wall leaves.

    `ring` is the amplitude at which the pulse's ring-down starts, `ring_periods` its decay.
    """

    name: str
    setup: Setup
    rate_hz: float
    start_s: float
    kept: float
    n_samples: int = 512
    ring: float = 0.04
    ring_periods: float = 2.0

    @property
    def quiet_samples(self) -> int:
        """Samples at either end of each record that hold no echo."""
        return 32

    def wall_m(self, share: float) -> float:
        """The wall that lies at `share` (0 to 1) of the set-up's wall range."""
        low, high = self.setup.wall_range
        return low + share * (high - low)


@dataclass(frozen=True)
class Record:
    """What one A-scan is made of; the plain numbers that a failing case is told in.

    `wall_share` is the place in the wall range (None = dry), `height` the screen height of the
    highest sample, `snr_db` = 20 log10(height / rms of the noise), `late` the samples by which
    the record starts later.
    """

    wall_share: float | None = 0.5
    height: float = 0.8
    snr_db: float = 60.0
    noise_seed: int = 0
    late: int = 0


def pulse(scene: Scene, time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Gaussian pulse with the set-up's -6 dB bandwidth, and a ring-down; peak about 1 at time 0.

    A Gaussian spectrum that is half as high at B / 2 off its centre has the standard deviation
    B / (2 sqrt(2 ln 2)), and its envelope in time 1 / (2 pi) over that.
    """
    sigma_s = np.sqrt(2 * np.log(2)) / (np.pi * scene.setup.bandwidth_hz)
    phase = 2 * np.pi * scene.setup.centre_frequency * time_s
    body = np.exp(-0.5 * (time_s / sigma_s) ** 2) * np.cos(phase)
    rung = np.maximum(phase, 0)
    decay = np.exp(-rung / (2 * np.pi * scene.ring_periods))
    return np.asarray(body + scene.ring * decay * np.sin(rung))


def arrivals(scene: Scene, wall_m: float | None) -> list[tuple[float, float]]:
    """Time and amplitude (relative to the reference echo) of each echo of a record.

    Without a wall: the whole reference echo. Without a delay line: the excitation at time zero
    and the back-wall echoes after the zero offset.
    """
    setup = scene.setup
    reflection = setup.interface_reflection
    first_s = setup.interface_echo if setup.interface_echo is not None else setup.zero_offset
    if wall_m is None:
        return [(first_s, 1.0)]
    r = -1.0 if reflection is None else reflection
    found = [(first_s, 1.0 if reflection is None else -r)]
    step = scene.kept * (1.0 if reflection is None else r)
    height = scene.kept * (0.6 if reflection is None else 1 - r * r)
    trip_s = float(setup.interval_s(wall_m))
    end_s = scene.start_s + (scene.n_samples - 3 * scene.quiet_samples) / scene.rate_hz
    orders = range(1, ORDERS + 1)
    echoes = [(first_s + n * trip_s, height * step ** (n - 1)) for n in orders]
    return found + [(t, a) for t, a in echoes if t < end_s]


def trace(scene: Scene, record: Record) -> NDArray[np.float64]:
    """One A-scan, (n_samples,)."""
    start_s = scene.start_s + record.late / scene.rate_hz
    time_s = start_s + np.arange(scene.n_samples) / scene.rate_hz
    wall_m = None if record.wall_share is None else scene.wall_m(record.wall_share)
    clean = sum(a * pulse(scene, time_s - t) for t, a in arrivals(scene, wall_m))
    clean = clean / np.abs(clean).max()
    noise = np.random.default_rng([7, record.noise_seed]).standard_normal(scene.n_samples)
    return np.asarray(record.height * (clean + 10 ** (-record.snr_db / 20) * noise))


def batch_of(scene: Scene, records: Sequence[Record]) -> Batch:
    """The batch of these records."""
    starts = [scene.start_s + r.late / scene.rate_hz for r in records]
    return Batch.of(
        np.stack([trace(scene, r) for r in records]), scene.rate_hz, starts, scene.setup
    )


def noise_batch(scene: Scene, n: int) -> Batch:
    """Noise alone at fixed seeds: half of it white, half in the probe's band; rms 0.001 to 0.2."""
    rng = np.random.default_rng([11, n])
    white = rng.standard_normal((n, scene.n_samples))
    frequency = np.fft.rfftfreq(scene.n_samples, 1 / scene.rate_hz)
    sigma = scene.setup.bandwidth_hz / (2 * np.sqrt(2 * np.log(2)))
    band = np.exp(-0.5 * ((frequency - scene.setup.centre_frequency) / sigma) ** 2)
    coloured = np.fft.irfft(np.fft.rfft(white[::2], axis=1) * band, scene.n_samples, axis=1)
    white[::2] = coloured / coloured.std(axis=1, keepdims=True)
    rms = np.geomspace(0.001, 0.2, n)[:, None]
    return Batch.of(np.clip(rms * white, -1, 1), scene.rate_hz, scene.start_s, scene.setup)


def _with_reference(scene: Scene) -> Scene:
    """Offer the bare delay line's echo, noise-free, on the records' clock."""
    time_s = scene.start_s + np.arange(scene.n_samples) / scene.rate_hz
    echo = 0.8 * pulse(scene, time_s - (scene.setup.interface_echo or 0.0))
    samples = echo.astype(np.float32)
    samples.flags.writeable = False
    reference = Waveform(samples, scene.rate_hz, scene.start_s)
    return replace(scene, setup=scene.setup.model_copy(update={"reference_echo": reference}))


# No time below falls on a sample: a gate that would is decided by the last bit of a float.
_POLYSTYRENE = Medium(impedance=2.5e6, velocity=2350.0, length=6e-3)
_SILICA = Medium(impedance=13.1e6, velocity=5940.0, length=10e-3)
_STEEL = Medium(impedance=45.4e6)
_NYLON = Medium(impedance=2.9e6)

_METAL = Setup(
    centre_frequency=20e6,
    bandwidth=12e6,
    velocity=5740.0,
    velocity_uncertainty=60.0,
    interface_echo=0.7037e-6,
    wall_range=(0.45e-3, 1.5e-3),
    delay_line=_POLYSTYRENE,
    wall=_STEEL,
    mode=3,
)
_POLYMER = Setup(
    centre_frequency=10e6,
    bandwidth=6e6,
    velocity=2640.0,
    interface_echo=0.8041e-6,
    wall_range=(0.45e-3, 1.2e-3),
    delay_line=_SILICA,
    wall=_NYLON,
    mode=2,
)
_NEAR_MATCHED = _POLYMER.model_copy(update={"delay_line": _POLYSTYRENE, "length_unit": "in"})
_CONTACT = Setup(
    centre_frequency=5e6,
    velocity=5920.0,
    zero_offset=0.2037e-6,
    wall_range=(2.5e-3, 9e-3),
    mode=1,
)
_BETWEEN_MULTIPLES = Setup(
    centre_frequency=10e6,
    bandwidth=5e6,
    velocity=6320.0,
    wall_range=(2e-3, 5e-3),
    mode=3,
)

_RINGING = Scene("ringing probe, metal, mode 3", _METAL, 100e6, 0.0, 0.8, ring=0.12, ring_periods=4)

#: What the contract is checked on: three modes, with and without reference echo or interface time,
#: and a probe whose tail lies over the first back-wall echoes.
SCENES: Final = (
    _with_reference(Scene("metal, mode 3", _METAL, 100e6, 0.0, 0.8)),
    _with_reference(Scene("polymer, mode 2", _POLYMER, 100e6, 0.0, 0.7)),
    _with_reference(Scene("near-matched polymer, mode 2", _NEAR_MATCHED, 100e6, 0.0, 0.7)),
    _with_reference(_RINGING),
    Scene("contact, mode 1, no interface time", _CONTACT, 50e6, -1e-6, 0.6),
    Scene("metal, mode 3, no reference echo", _METAL, 100e6, 0.0, 0.8),
    Scene("mode 3, neither interface time nor reference", _BETWEEN_MULTIPLES, 80e6, -0.8e-6, 0.7),
)
