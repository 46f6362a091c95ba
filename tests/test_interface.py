"""The interface echo: near its place, with its sign, off the list of candidates."""

import numpy as np
import pytest
from echotrial.ascan import Batch
from echotrial_detectors import detectors
from echotrial_detectors.interface import find_interface, height_at, interface_among, least_share
from echotrial_detectors.plan import EchoSettings, plan

from tests.trains import INTERFACE, RATE, pulse, setup, trains

PLACE, HEIGHT = np.array([90.0, 100.0, 104.0, 150.0]), np.array([0.3, -0.8, 0.9, 0.2])


@pytest.mark.parametrize(("sign", "which"), [(-1, 1), (1, 2), (0, 2)])
def test_it_is_the_strongest_of_the_right_sign_near_its_place(sign, which):
    assert interface_among(PLACE, HEIGHT, 4, 101.0, 8.0, sign) == which


def test_none_of_that_sign_near_there_is_said():
    assert interface_among(PLACE, HEIGHT, 4, 150.0, 8.0, -1) == -1
    assert interface_among(PLACE, HEIGHT, 0, 101.0, 8.0, 0) == -1


def test_it_is_found_in_a_signal_to_a_part_of_a_sample():
    time = np.arange(512) / RATE
    signal = -pulse(time - INTERFACE - 3.3e-9, 20e6, phase=0.0)[None].astype(np.float32)
    found = find_interface(signal, np.array([INTERFACE * RATE]), 5.0, -1)
    assert found[0] == pytest.approx(INTERFACE * RATE + 0.33, abs=0.02)


def test_the_height_at_a_place_is_that_of_the_nearest_sample():
    signal = np.array([[0.1, -0.7, 0.2], [0.3, 0.0, -0.4]], np.float32)
    np.testing.assert_allclose(height_at(signal, np.array([1.2, 9.0])), [0.7, 0.4], rtol=1e-6)


def test_a_wall_s_echo_is_as_high_as_the_impedances_let_it_be():
    """(1 - r^2) / r of the interface echo, r = 43.43 / 48.37 (Brekhovskikh, from memory)."""
    r = (45.9 - 2.47) / (45.9 + 2.47)
    assert least_share(plan(setup(), EchoSettings()), 0.5) == pytest.approx(0.5 * (1 - r**2) / r)
    assert least_share(plan(setup(), EchoSettings(mode=2)), 0.5) == 0
    assert least_share(plan(setup(delay_line=None), EchoSettings(mode=3)), 0.5) == 0


CARD = {d.name: d for d in detectors()}


@pytest.mark.parametrize("name", ["cepstral", "autocorrelation", "spectral-notch", "correlation"])
def test_a_train_too_low_for_a_wall_is_none(name):
    """Grain or a bond's repeats: evenly spaced, but a tenth of what a steel wall returns."""
    known, walls = setup(), np.linspace(0.5e-3, 1.2e-3, 20)
    whole, bare = trains(known, walls, loss=0.9), trains(known, np.array([1.0]))
    detect = CARD[name]().prepare(known, CARD[name].Settings())
    low = bare.samples + 0.1 * (whole.samples - bare.samples)
    marred = Batch.of(low, RATE, 0.0, known)
    assert detect(whole).answered.sum() >= 5
    assert not detect(marred).answered.any()
