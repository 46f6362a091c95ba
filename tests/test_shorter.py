"""A spacing that the record repeats in parts, or not at all, is no reading."""

import numpy as np
import pytest
from echotrial.ascan import Batch, Readings, Reason
from echotrial_detectors.peaks import cosine_peak
from echotrial_detectors.plan import EchoSettings, plan
from echotrial_detectors.shorter import _at_lag, own_repeats, silenced

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


@pytest.mark.parametrize("sign", [-1, 0, 1])
def test_repeats_at_a_lag_are_those_of_plain_products(sign):
    """Slow twin: products of the record with itself, moved by whole samples."""
    line = np.random.default_rng(7).normal(size=300).astype(np.float32)
    first = 40
    for lag in (2.0, 9.4, 33.0, 120.7):
        near = round(lag)
        left, centre, right = (
            np.dot(line[first : 299 - near].astype(float), line[first + k : 299 - near + k])
            for k in (near - 1, near, near + 1)
        )
        turned = sign < 0 or (sign == 0 and max(left, centre, right) < -min(left, centre, right))
        three = [-v if turned else v for v in (left, centre, right)]
        wanted = max(three)
        if three[1] == wanted and wanted > 0:
            wanted = cosine_peak(*three)[1]
        assert _at_lag(line, first, lag, sign) == pytest.approx(wanted, rel=1e-4, abs=1e-3)
