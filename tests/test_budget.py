"""The uncertainty budget against a worked example, and GUM against Monte Carlo."""

import numpy as np
import pytest
from echotrial.choose.budget import Sources, budget, per_kelvin
from echotrial.choose.calibration import Sample, two_point, velocity_from

BLOCKS = [
    Sample("a", 1e-3, 1e-6, 2e-3 / 5900, 0.5e-9),
    Sample("b", 2.5e-3, 1e-6, 5e-3 / 5900, 0.5e-9),
]
NOTHING = Sources(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)


@pytest.mark.parametrize(
    ("d_mm", "u_um"), [(0.30, 3.114), (1.00, 2.313), (1.75, 1.940), (4.00, 4.249)]
)
def test_two_blocks_and_one_interval(d_mm, u_um):
    """Worked example by JCGM 100 (blocks of 1.000 and 2.500 mm of steel), u(t) = 0.5 ns each."""
    found = budget(d_mm * 1e-3, two_point(*BLOCKS), Sources(0.5e-9, 0, 0, 0, 0, 0))
    assert found.combined_m * 1e6 == pytest.approx(u_um, abs=1e-3)
    assert found.drawn_m == pytest.approx(found.combined_m, rel=5e-3)
    assert found.expanded_m == 2 * found.combined_m
    assert found.drawn_expanded_m == pytest.approx(found.expanded_m, rel=0.01)


def test_tabulated_velocity_spread_of_steel():
    """5920 +- 50 m/s (ISO 22232-2) is 8.4 um in every millimetre."""
    exact = velocity_from([Sample("s", 1e-3, 0, 2e-3 / 5920, 0)])
    found = budget(1e-3, exact, Sources(0, 0, 50 / 5920, 0, 0, 0))
    assert found.combined_m * 1e6 == pytest.approx(8.4, abs=0.05)


def test_ten_kelvin_on_a_millimetre_of_steel():
    """1.8 um: 1 % per 55 K (ASTM E797, from memory)."""
    exact = velocity_from([Sample("s", 1e-3, 0, 2e-3 / 5900, 0)])
    found = budget(1e-3, exact, Sources(0, 0, 0, 10, per_kelvin(46e6), 0))
    assert found.combined_m * 1e6 == pytest.approx(1.8, abs=0.05)


def test_one_digit_is_its_step_over_root_twelve():
    exact = velocity_from([Sample("s", 1e-3, 0, 2e-3 / 5900, 0)])
    found = budget(1e-3, exact, Sources(0, 0, 0, 0, 0, 10e-6))
    assert found.combined_m * 1e6 == pytest.approx(10 / np.sqrt(12))
    assert found.drawn_m == pytest.approx(found.combined_m, rel=5e-3)


@pytest.mark.parametrize("d", [0.3e-3, 1e-3, 4e-3])
def test_all_together_agree_with_the_draw(d):
    everything = Sources(2e-9, 1e-6, 0.003, 2.0, 1.8e-4, 1e-6)
    found = budget(d, two_point(*BLOCKS), everything)
    assert found.drawn_m == pytest.approx(found.combined_m, rel=5e-3)
    whole = np.sqrt(sum(r.contribution_m**2 for r in found.rows))
    assert whole == pytest.approx(found.combined_m, rel=1e-6)
    assert len(found.rows) == 7


def test_nothing_uncertain_is_certain():
    exact = velocity_from([Sample("s", 1e-3, 0, 2e-3 / 5900, 0)])
    assert budget(1e-3, exact, NOTHING).combined_m == pytest.approx(0, abs=1e-15)
