"""The interface echo: near its place, with its sign, off the list of candidates."""

import numpy as np
import pytest
from echotrial_detectors.interface import find_interface, take_interface
from echotrial_detectors.peaks import Candidates

from tests.trains import INTERFACE, RATE, pulse


def some() -> Candidates:
    found = Candidates.none(1)
    found.count[0] = 4
    found.sample[0, :4] = 90, 100, 104, 150
    found.amplitude[0, :4] = 0.3, -0.8, 0.9, 0.2
    return found


@pytest.mark.parametrize(("sign", "place", "left"), [(-1, 100, 2), (1, 104, 1), (0, 104, 1)])
def test_the_strongest_of_the_right_sign_goes_and_all_before_it(sign, place, left):
    found = some()
    interface = take_interface(found, np.array([101.0]), 8.0, sign)
    assert interface.sample[0] == place
    assert found.count[0] == left
    assert found.sample[0, left - 1] == 150


def test_none_of_that_sign_near_there_is_said_and_the_list_stays():
    found = some()
    interface = take_interface(found, np.array([150.0]), 8.0, -1)
    assert np.isnan(interface.sample[0])
    assert found.count[0] == 4


def test_it_is_found_in_a_signal_to_a_part_of_a_sample():
    time = np.arange(512) / RATE
    signal = -pulse(time - INTERFACE - 3.3e-9, 20e6, phase=0.0)[None].astype(np.float32)
    found = find_interface(signal, np.array([INTERFACE * RATE]), 5.0, -1)
    assert found[0] == pytest.approx(INTERFACE * RATE + 0.33, abs=0.02)
