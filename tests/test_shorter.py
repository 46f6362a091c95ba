"""A spacing that the record repeats in parts, or not at all, is no reading."""

import numpy as np
import pytest
from echotrial.ascan import Batch, Readings, Reason
from echotrial_detectors.peaks import cosine_peak
from echotrial_detectors.plan import EchoSettings, plan
from echotrial_detectors.shorter import Repeats, _at_lag, _levelled
from scipy.signal import detrend

from tests.trains import RATE, setup, trains

WALL = 0.9e-3


def judged(batch: Batch, thickness_m: float, spacings: float = np.inf) -> Readings:
    planned = plan(setup(), EchoSettings())
    claim = Readings(
        np.full(len(batch), thickness_m), gate_start_s=batch.start_s, gate_end_s=batch.start_s
    )
    return Repeats(planned, spacings).kept(claim, batch)


@pytest.mark.parametrize(
    ("times", "reason"), [(1, Reason.READ), (2, Reason.AMBIGUOUS), (3, Reason.AMBIGUOUS)]
)
def test_every_second_or_third_echo_is_no_wall(times, reason):
    """A train of echoes repeats best at its own spacing (by hand: q at one, q^2 at two)."""
    batch = trains(setup(), np.array([WALL]), noise=1e-3, loss=0.9)
    found = judged(batch, times * WALL)
    assert found.reason[0] == reason
    assert np.isnan(found.thickness_m[0]) == (reason != Reason.READ)


def test_what_comes_behind_the_spacings_that_are_looked_at_counts_for_nothing():
    batch = trains(setup(), np.array([WALL]), noise=1e-3, loss=0.9)
    burst = np.zeros(batch.samples.shape[1])
    burst[800:830] = np.random.default_rng(4).normal(0, 1, 30)
    marred = Batch.of(batch.samples + burst, RATE, batch.start_s, batch.setup)
    assert judged(marred, WALL).reason[0] == Reason.NO_SECOND_ECHO
    assert judged(marred, WALL, 10).reason[0] == Reason.READ
    assert judged(marred, 2 * WALL, 10).reason[0] == Reason.AMBIGUOUS


def test_noise_repeats_nowhere():
    noise = np.random.default_rng(5).normal(0, 0.01, (20, 2000)).astype(np.float32)
    found = judged(Batch.of(noise, RATE, 0.0, setup()), WALL)
    assert (found.reason == Reason.NO_SECOND_ECHO).all()


@pytest.mark.parametrize("sign", [-1, 0, 1])
def test_repeats_at_a_lag_are_those_of_plain_products(sign):
    """Slow twin: products of the record with itself, moved by whole samples."""
    line = np.random.default_rng(7).normal(size=300).astype(np.float32)
    for lag in (2.0, 9.4, 33.0, 120.7):
        near = round(lag)
        left, centre, right = (
            np.dot(line[: 299 - near].astype(float), line[k : 299 - near + k])
            for k in (near - 1, near, near + 1)
        )
        turned = sign < 0 or (sign == 0 and max(left, centre, right) < -min(left, centre, right))
        three = [-v if turned else v for v in (left, centre, right)]
        wanted = max(three)
        if three[1] == wanted and wanted > 0:
            wanted = cosine_peak(*three)[1]
        assert _at_lag(line, lag, sign) == pytest.approx(wanted, rel=1e-4, abs=1e-3)


def test_a_straight_line_is_taken_out():
    """Slow twin: scipy.signal.detrend."""
    line = np.random.default_rng(8).normal(size=300).astype(np.float32)
    marred = (line + 3 - 0.01 * np.arange(300)).astype(np.float32)
    out = np.empty(300, np.float32)
    energy = _levelled(marred, np.arange(300, dtype=np.float32), out)
    wanted = detrend(line.astype(float))
    np.testing.assert_allclose(out, wanted, atol=1e-4)
    assert energy == pytest.approx(np.sum(wanted**2), rel=1e-4)


def test_an_offset_and_hum_repeat_nothing():
    batch = trains(setup(), np.array([WALL]), noise=1e-3, loss=0.9)
    hum = 0.05 + 0.02 * np.sin(2 * np.pi * np.arange(batch.samples.shape[1]) / 3000)
    marred = Batch.of(batch.samples + hum, RATE, batch.start_s, batch.setup)
    assert judged(marred, WALL).reason[0] == Reason.READ
    assert judged(marred, 2 * WALL).reason[0] == Reason.AMBIGUOUS
