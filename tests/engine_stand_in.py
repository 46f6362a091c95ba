"""A corpus in memory whose records say their own answer; nothing in it is an A-scan."""

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
from echotrial import host
from echotrial.ascan import Batch
from echotrial.setup import Setup

SETUP = Setup(
    centre_frequency=20e6, velocity=5740.0, wall_range=(0.2e-3, 1.0e-3), interface_echo=0.2e-6
)
FAULTY = Path(__file__).with_name("faulty_detectors.py")


@dataclass
class StandIn:
    samples: np.ndarray
    name: str = "stand-in"
    setup: Setup = SETUP
    identity: str = "invented"
    truth: pd.DataFrame = field(init=False)

    def __post_init__(self):
        n = len(self.samples)
        split = np.where(np.arange(n) < 2 * n // 3, "prove", "tune")
        self.truth = pd.DataFrame({"record": np.arange(n), "split": split})

    def __len__(self):
        return len(self.samples)

    def batch(self, start, stop):
        return Batch.of(self.samples[start:stop], 100e6, 0.0, self.setup)


def stand_in(n=700, m=64, poisoned=(), seed=0):
    samples = np.random.default_rng(seed).uniform(0, 0.8, (n, m)).astype(np.float32)
    samples[list(poisoned), 0] = 1.0
    return StandIn(samples)


def faulty(*names):
    loaded = host.load([FAULTY], use_entry_points=False)
    return loaded.chosen(names)


def expected_mm(corpus):
    return corpus.samples[:, 1].astype(np.float64) * 1e-3 * 1e3
