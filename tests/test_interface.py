"""The interface echo: near its place, with its sign, off the list of candidates."""

import numpy as np
import pytest
from echotrial_detectors.interface import find_interface, interface_among

from tests.trains import INTERFACE, RATE, pulse

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
