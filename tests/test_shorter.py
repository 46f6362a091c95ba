"""A spacing that the record repeats in parts, or not at all, is no reading."""

import numpy as np
import pytest
from echotrial.ascan import Batch, Readings, Reason
from echotrial_detectors.plan import EchoSettings, plan
from echotrial_detectors.shorter import own_repeats, silenced

from tests.trains import RATE, setup, trains

WALL = 0.9e-3


def judged(batch: Batch, thickness_m: float) -> Readings:
    planned = plan(setup(), EchoSettings())
    claim = Readings(
        np.full(len(batch), thickness_m), gate_start_s=batch.start_s, gate_end_s=batch.start_s
    )
    return silenced(claim, batch, planned, *own_repeats(planned, batch.n_fft, RATE))


@pytest.mark.parametrize(
    ("times", "reason"), [(1, Reason.READ), (2, Reason.AMBIGUOUS), (3, Reason.AMBIGUOUS)]
)
def test_every_second_or_third_echo_is_no_wall(times, reason):
    """A train of echoes repeats best at its own spacing (by hand: q at one, q^2 at two)."""
    batch = trains(setup(), np.array([WALL]), noise=1e-3, loss=0.9)
    found = judged(batch, times * WALL)
    assert found.reason[0] == reason
    assert np.isnan(found.thickness_m[0]) == (reason != Reason.READ)


def test_noise_repeats_nowhere():
    noise = np.random.default_rng(5).normal(0, 0.01, (20, 2000)).astype(np.float32)
    found = judged(Batch.of(noise, RATE, 0.0, setup()), WALL)
    assert (found.reason == Reason.NO_SECOND_ECHO).all()
