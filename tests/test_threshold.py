"""Flank and zero crossing: exact where the closed form is known, independent of the half-cycle."""

import numpy as np
import pytest
from echotrial_detectors.pulse import frequencies, pulse_spectrum, shape_of
from echotrial_detectors.threshold import (
    CLIMBS,
    Threshold,
    ThresholdSettings,
    echo_peaks,
    mark_of,
    nearest_zero,
)
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.trains import RATE, M, pulse, setup, trains


@settings(deadline=None)
@given(zero=st.floats(20.0, 80.0), per_period=st.floats(4.2, 20.0), rises=st.booleans())
def test_zero_crossing_of_a_sine_is_exact(zero, per_period, rises):
    line = np.sin(2 * np.pi * (np.arange(100) - zero) / per_period) * (1 if rises else -1)
    found = nearest_zero(line.astype(np.float32), zero + 0.2 * per_period, 1 / per_period)
    assert abs(found) == pytest.approx(zero, abs=1e-4 * per_period)
    assert (found < 0) == rises


@settings(deadline=None)  # a first call compiles
@given(st.lists(st.tuples(st.integers(0, 59), st.floats(0.1, 1)), max_size=25), st.integers(3, 9))
def test_the_greatest_half_cycle_of_each_echo_is_the_slow_twins(marks, period):
    line = np.zeros(70, np.float32)
    for at, size in marks:
        line[at + 5] = size if at % 2 else -size
    places = [at for at in range(60) if line[at + 5] != 0]
    want, left = [], places
    while left:
        climb = [k for k in left if k <= left[0] + 0.75 * period * CLIMBS]
        greatest = climb[0]
        for k in climb[1:]:  # an echo ends three quarters of a period behind its greatest so far
            if k > greatest + 0.75 * period:
                break
            greatest = k if abs(line[k + 5]) > abs(line[greatest + 5]) else greatest
        want.append(greatest + 5)
        left = [k for k in left if k > greatest + 0.75 * period]
    found = np.array([*places, 0], np.int64)
    count = echo_peaks(line, 5, found, len(places), float(period))
    np.testing.assert_array_equal(found[:count], want)


def test_there_is_no_zero_crossing_in_a_constant():
    assert nearest_zero(np.ones(50, np.float32), 25.0, 0.2) == 0


@pytest.mark.parametrize("phase", [0.0, 0.4, 0.7, 1.2, 1.57, 2.4, 3.1, -1.0])
def test_marks_lie_on_the_envelope_peak_whatever_the_pulses_phase(phase):
    from echotrial.setup import Waveform

    time = np.arange(M) / RATE
    wave = Waveform(pulse(time - 1.2e-6, 20e6, phase).astype(np.float32), RATE)
    known = setup(reference_echo=wave)
    shape = shape_of(pulse_spectrum(known, frequencies(M, RATE)), M)
    mark = mark_of(known, shape, RATE)
    assert abs(mark.from_centroid) <= 0.51 * RATE / 20e6
    assert abs(mark.to_peak) <= 0.51 * RATE / 20e6


@pytest.mark.parametrize("metal", [True, False])
def test_walls_are_read_and_marks_are_their_echoes(metal):
    known = setup(metal=metal, mode=3 if metal else 2)
    walls = np.linspace(0.6e-3, 1.2e-3, 60)
    found = Threshold().prepare(known, ThresholdSettings())(trains(known, walls, loss=0.9))
    np.testing.assert_allclose(found.thickness_m, walls, atol=1.5e-6)
    first = 1.2e-6 + (2 / known.velocity) * walls * (1 if metal else 0)
    np.testing.assert_allclose(found.first_echo_s, first, atol=1.5e-9)


def test_a_low_level_finds_the_same_echoes_as_a_high_one():
    """The first half-cycle above a low level is not the echo's greatest one."""
    known = setup(metal=False, mode=2)
    walls = np.linspace(0.6e-3, 1.2e-3, 40)
    batch = trains(known, walls, noise=1e-4)
    for level in (0.01, 0.3):
        chosen = ThresholdSettings(level_relative=level)
        found = Threshold().prepare(known, chosen)(batch)
        assert found.answered.mean() > 0.9
        np.testing.assert_allclose(
            found.thickness_m[found.answered], walls[found.answered], atol=2e-6
        )
