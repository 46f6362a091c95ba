"""A ring-down that is not the reference echo's: undone, and no wall made of it.

The lattice's ring-downs (additive, with a rise of their own) are other ones than those that the
fit knows (poles that the pulse sets off).
"""

import numpy as np
import pytest
from echotrial.ascan import Batch, Reason
from echotrial_detectors.fit.ring import DIMENSIONS, Ring
from echotrial_detectors.fit.spectra import Bins, gate_of, loss_law, pulse_of
from echotrial_detectors.fit.stack import Stack
from echotrial_detectors.fit.verdict import Fits, Limits, judge

from tests.plain_layers import reflection
from tests.test_model_fit import read, sit
from tests.timedomain.exam import make_exam
from tests.trains import RATE, setup

LAYERS = Stack(-0.014, 0.9, 50e-9, 1904.0, 0.1)
WALL = np.array([[0.1, 1.45, 0.07, 0.31, 0.02, 0.2]])


def ring() -> Ring:
    known = setup()
    gate = gate_of(known, RATE, 250e-9, 2.5e-6)
    pulse = pulse_of(known.reference_echo, gate, gate.s)
    law = np.stack([loss_law(gate.frequency), np.zeros(gate.frequency.size)])
    return Ring.of(Bins(pulse, gate.s, law, pulse, gate.s_twice))


@pytest.mark.parametrize(("frequency", "decay"), [(0.75, 3.0), (1.0, 5.0), (1.1, 2.0)])
def test_a_resonance_that_the_pulse_sets_off_is_undone(frequency, decay):
    """One pole, 1/(s - p), the transform of a decaying oscillation (any textbook)."""
    known = ring()
    answer = known.answer(WALL, np.zeros(1, bool), LAYERS)
    plain = answer * known.bins.pulse
    pole = 0.15j / (known.bins.s - 2j * np.pi * frequency + 1 / decay)
    ringing = plain * (1 + pole)
    unit = plain / np.linalg.norm(plain)
    off = np.linalg.norm(ringing / np.linalg.norm(ringing) - unit)
    undone, cost = known.undone(ringing / np.linalg.norm(ringing), answer, np.array([1e-7]))
    # Eight dimensions leave some 1 % of the energy of one sharp pole, and less of a broad one.
    assert np.linalg.norm(undone - unit) < 0.15 * off
    assert 0 < cost[0] < 4 * DIMENSIONS


def test_without_a_ring_nothing_is_undone():
    known = ring()
    answer = known.answer(WALL, np.zeros(1, bool), LAYERS)
    plain = answer * known.bins.pulse / np.linalg.norm(answer * known.bins.pulse)
    undone, cost = known.undone(plain, answer, np.array([1e-7]))
    np.testing.assert_allclose(undone, plain, atol=1e-9)
    assert cost[0] == pytest.approx(0, abs=1e-9)


def test_answers_agree_with_their_obvious_twin():
    known = ring()
    walls = WALL + np.array([[0.0] * 6, [-0.3, 7.2, 0.2, 0.4, 0.1, -0.6]])
    found = known.answer(walls, np.zeros(2, bool), LAYERS)
    for theta, one in zip(walls, found, strict=True):
        twin = reflection(known.bins.s, known.bins.law, LAYERS, theta[1:])
        np.testing.assert_allclose(one, -np.exp(-theta[0] * known.bins.s) * twin, atol=1e-11)


def test_a_film_answers_with_the_couplants_own_impedance():
    known = ring()
    both = known.answer(np.repeat(WALL, 2, axis=0), np.array([False, True]), LAYERS)
    bare = known.answer(WALL, np.zeros(1, bool), LAYERS.film)
    np.testing.assert_allclose(both[1], bare[0])
    assert np.abs(both[0] - both[1]).max() > 0.1


def test_steel_walls_are_read_whatever_the_probe_rings_with():
    """Without an unknown ring-down two in five of these are a poor fit."""
    _, truth, found, table = sit("metal-ringing", 150, 73)
    thick = table[table.inside & (table.wavelengths >= 0.4)]
    assert (thick.over <= 1).mean() >= 0.93
    assert not (thick.over > 1).any()
    assert not found.answered[truth.kind.to_numpy() != "wall"].any()


def test_readings_hang_on_no_batch_size():
    batch, _ = make_exam("metal-ringing", 40, 74)
    whole = read(batch).thickness_m
    parts = np.concatenate([read(batch.take(slice(i, i + 8))).thickness_m for i in range(0, 40, 8)])
    np.testing.assert_array_equal(parts, whole)


def test_what_a_ring_down_cannot_explain_is_left_as_it_was():
    """Spectra of noise: whatever the first fits say of them stands."""
    rng = np.random.default_rng(5)
    batch, _ = make_exam("metal", 8, 75)
    noise = Batch.of(0.2 * rng.standard_normal(batch.samples.shape), batch.rate_hz, batch.start_s,
                     batch.setup)  # fmt: skip
    assert not read(noise).answered.any()


def test_a_hard_wall_that_is_a_little_unexplained_is_a_poor_fit():
    """A share of 1.5 % left where noise is 0.1 %: allowed on a polymer, not on a metal."""
    one = np.ones(1)
    fits = Fits(
        np.array([[-300.0, np.inf]]), np.array([[0.5e-3, 0.0]]), np.array([[0.015, 1.0]]),
        np.zeros(1, np.int64), 1e-7 * one, np.inf * one, np.inf * one, 1e-3 * one, 0.0 * one,
        np.zeros(1, bool), 0.0 * one, 0.0 * one,
    )  # fmt: skip
    reasons = [
        judge(fits, Limits(12, 12, 3, 3, 9, 1, 3, hard, 1e-3, 3, 0.02), 5e-6 * one, (1e-4, 1e-3))[
            0
        ][0]
        for hard in (False, True)
    ]
    assert reasons == [Reason.READ, Reason.POOR_FIT]


@pytest.mark.parametrize(("loss", "reason"), [(0.05, Reason.READ), (0.2, Reason.POOR_FIT)])
def test_a_hard_wall_whose_echoes_die_away_fast_must_leave_hardly_more_than_noise(loss, reason):
    one = np.ones(1)
    fits = Fits(
        np.array([[-300.0, np.inf]]), np.array([[0.2e-3, 0.0]]), np.array([[0.005, 1.0]]),
        np.zeros(1, np.int64), 1e-7 * one, np.inf * one, np.inf * one, 1e-3 * one, loss * one,
        np.zeros(1, bool), 0.0 * one, 0.0 * one,
    )  # fmt: skip
    limits = Limits(12, 12, 3, 3, 9, 1, 3, True, 1e-3, 3, 0.02)
    assert judge(fits, limits, 5e-6 * one, (1e-4, 1e-3))[0][0] == reason


@pytest.mark.parametrize(("wall_mm", "reason"), [(0.5, Reason.POOR_FIT), (0.9, Reason.READ)])
def test_where_echoes_stand_apart_a_little_more_may_be_left(wall_mm, reason):
    one = np.ones(1)
    fits = Fits(
        np.array([[-300.0, np.inf]]), np.array([[1e-3 * wall_mm, 0.0]]), np.array([[0.012, 1.0]]),
        np.zeros(1, np.int64), 1e-7 * one, np.inf * one, np.inf * one, 1e-3 * one, 0.0 * one,
        np.zeros(1, bool), 0.0 * one, 0.0 * one,
    )  # fmt: skip
    limits = Limits(12, 12, 3, 3, 9, 1, 3, True, 0.7e-3, 3, 0.02)
    assert judge(fits, limits, 5e-6 * one, (1e-4, 1e-3))[0][0] == reason
