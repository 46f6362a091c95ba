"""Flank and zero crossing: exact where the closed form is known, independent of the half-cycle."""

import numpy as np
import pytest
from echotrial_detectors.noise import Stretches
from echotrial_detectors.pulse import frequencies, pulse_spectrum, shape_of
from echotrial_detectors.threshold import (
    CLIMBS,
    Threshold,
    ThresholdSettings,
    echo_peaks,
    levelled,
    mark_of,
)
from echotrial_detectors.tiles import TILE
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.trains import RATE, M, pulse, setup, trains


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


def test_records_are_levelled_and_their_stretches_are_those_of_the_levelled_ones():
    draw = np.random.default_rng(3)
    samples = (draw.standard_normal((TILE + 5, 300)) + 0.5).astype(np.float32)
    want = samples - samples.mean(axis=1, keepdims=True)
    for portion in levelled(samples):
        np.testing.assert_allclose(portion.signal, want[portion.rows], atol=1e-6)
        seen = Stretches.of(portion.signal)
        np.testing.assert_array_equal(portion.stretches.loudest, seen.loudest)
        np.testing.assert_array_equal(portion.stretches.spread, seen.spread)


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
