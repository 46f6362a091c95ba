"""What candidates leave unexplained, against a slow twin and in plain cases."""

import numpy as np
import pytest
from echotrial_detectors.noise import fixed
from echotrial_detectors.pulse import FINE, frequencies, pulse_spectrum, shape_of
from echotrial_detectors.residual import unexplained

from tests.trains import RATE, M, pulse, setup

SHAPE = shape_of(pulse_spectrum(setup(), frequencies(M, RATE)), M)


def left_of(signal, places, heights, sigma=0.0, end=900):
    return unexplained(
        fixed(signal.astype(np.float32)), 100, end, sigma, np.array(places, float),
        np.array(heights, float), len(places), SHAPE.phases, np.empty(M, np.float32),
    )  # fmt: skip


def made_of(places, heights):
    time = np.arange(M)
    return sum(h * pulse((time - p) / RATE, 20e6) for p, h in zip(places, heights, strict=True))


def test_the_right_echoes_leave_nothing_and_half_of_them_half():
    places, heights = [200.3, 400.7], [0.5, -0.5]
    assert left_of(made_of(places, heights), places, heights) < 0.01
    assert left_of(made_of(places, heights), places[:1], heights[:1]) == pytest.approx(
        0.5, abs=0.01
    )


def test_it_is_the_slow_twins():
    draw = np.random.default_rng(4)
    signal = made_of([300.2], [0.6]) + 0.05 * draw.standard_normal(M)
    places, heights = [301.0, 500.0], [0.4, 0.2]
    grid = np.arange(-(SHAPE.template.size // 2), SHAPE.template.size // 2 + 1) / FINE
    left = signal.copy()
    for place, height in zip(places, heights, strict=True):
        left -= height * np.interp(np.arange(M) - place, grid, SHAPE.template, left=0, right=0)
    noise = 0.05**2 * 800
    want = (np.sum(left[100:900] ** 2) - noise) / (np.sum(signal[100:900] ** 2) - noise)
    assert left_of(signal, places, heights, sigma=0.05) == pytest.approx(want, rel=0.03)


def test_noise_is_not_held_against_the_candidates():
    signal = made_of([300.0], [0.6]) + 0.02 * np.random.default_rng(5).standard_normal(M)
    assert left_of(signal, [300.0], [0.6], sigma=0.02) < 0.05


def test_where_nothing_counts_nothing_is_left():
    assert left_of(np.ones(M), [], [], end=100) == 0
