"""Where marks may lie: from the measured interface echo, else the nominal one, else the clock."""

import numpy as np
import pytest
from echotrial.errors import NotApplicable
from echotrial.setup import Medium
from echotrial_detectors.gate import behind_tail, gate_of, search_samples
from echotrial_detectors.plan import EchoSettings, plan

from tests.trains import setup

RATE = 100e6


def test_gate_starts_a_time_after_the_measured_interface_echo_else_after_the_nominal_one():
    planned = plan(setup(), EchoSettings())
    start_s = np.array([0.0, 0.5e-6, 0.0])
    measured = np.array([125.0, 75.0, np.nan])
    gate = gate_of(planned, measured, 100e-9, start_s, RATE, 1024)
    np.testing.assert_allclose(gate.start, [135.0, 85.0, 130.0])  # nominal 1.2 us
    np.testing.assert_array_equal(gate.stop, 1023.0)


def test_without_an_interface_echo_it_starts_on_the_clock_with_the_thinnest_wall():
    planned = plan(setup(interface_echo=None, mode=3), EchoSettings())
    assert planned.after_s == pytest.approx(2 * 0.1e-3 / 5740)
    gate = gate_of(planned, np.array([np.nan]), planned.after_s, np.array([-1e-6]), RATE, 1024)
    assert gate.start[0] == pytest.approx((1e-6 + 2 * 0.1e-3 / 5740) * RATE)


def test_in_mode_2_it_ends_behind_the_thickest_wall():
    planned = plan(setup(mode=2), EchoSettings())
    _, last = search_samples(planned, 0.0, np.zeros(1), RATE, 4096)
    assert (1.2e-6 + 2 * 1.4e-3 / 5740) * RATE < last[0] < 4096


def test_what_is_behind_the_tail_lies_behind_it():
    planned = plan(setup(), EchoSettings())
    assert behind_tail(planned, 0.0, 30, np.zeros(1), RATE, 1024)[0] >= 120 + 30


@pytest.mark.parametrize(
    ("changes", "mode"),
    [
        ({}, 3),
        ({"metal": False}, 2),
        ({"mode": 1}, 1),
        ({"interface_echo": None}, 1),
        ({"metal": False, "delay_line": Medium(impedance=13.1e6)}, 3),
    ],
)
def test_mode_follows_the_set_up_or_else_the_impedances(changes, mode):
    """Common practice: metals give many multiples, a near-matched polymer hardly one."""
    assert plan(setup(**changes), EchoSettings()).mode == mode


def test_signs_follow_the_impedances():
    metal = plan(setup(), EchoSettings())
    assert (metal.sign, metal.interface_sign, metal.alternation) == (1, -1, 1)
    silica = plan(setup(metal=False, delay_line=Medium(impedance=13.1e6)), EchoSettings())
    assert (silica.sign, silica.interface_sign, silica.alternation) == (1, 1, -1)
    direct = {"interface_echo": None, "delay_line": None, "reference_echo": None}
    assert plan(setup(**direct), EchoSettings()).alternation == 1
    assert plan(setup(metal=False, **direct), EchoSettings()).alternation == 0
    turned = plan(setup(), EchoSettings(polarity="negative"))
    assert (turned.sign, turned.interface_sign) == (-1, 1)


def test_mode_2_needs_an_interface_echo():
    with pytest.raises(NotApplicable, match="interface echo"):
        plan(setup(interface_echo=None), EchoSettings(mode=2))
