"""The couplant gap: its distribution over the aperture, and what a gap does to a reading.

The table of readings was computed outside this project from exact partial responses of the same
stacks (closed-form layer reflection and round-trip transmission; Kinsler et al., ch. 6).
"""

import numpy as np
import pytest
from echotrial_corpora.couplant import gaps, strips
from echotrial_corpora.draw import nominal
from echotrial_corpora.synthesis import respond
from echotrial_corpora.truth import echoes_of

from tests.make_spec import plain

FRONTS = {"polystyrene": (1050.0, 2350.0), "PMMA": (1180.0, 2730.0)}
LIQUIDS = {"glycerin": (1260.0, 1920.0), "water": (998.0, 1482.0)}
#: front, liquid, gap in um, error of the interface-to-back-wall interval in um of steel
ERRORS = [
    ("polystyrene", "glycerin", 2, -0.01),
    ("polystyrene", "glycerin", 10, -0.03),
    ("polystyrene", "glycerin", 20, 0.05),
    ("polystyrene", "glycerin", 50, -0.02),
    ("polystyrene", "water", 2, -0.40),
    ("polystyrene", "water", 10, 1.15),
    ("polystyrene", "water", 20, 2.85),
    ("polystyrene", "water", 50, 5.36),
    ("PMMA", "glycerin", 2, -0.24),
    ("PMMA", "glycerin", 10, -0.23),
    ("PMMA", "glycerin", 20, 1.40),
    ("PMMA", "glycerin", 50, 1.60),
    ("PMMA", "water", 2, -0.75),
    ("PMMA", "water", 10, 2.93),
    ("PMMA", "water", 20, 4.48),
    ("PMMA", "water", 50, 17.56),
]


def first_echoes(front, liquid, gap_um, thickness=2e-3):
    spec = plain(
        # four times as long: through 20 um of water next to nothing is left at the centre, and
        # what the pulse has near zero frequency makes the echo's envelope long
        samples=4096,
        delay_line=dict(zip(("density", "velocity"), FRONTS[front], strict=True)),
        couplant=dict(zip(("density", "velocity"), LIQUIDS[liquid], strict=True))
        | {"gap": gap_um * 1e-6},
        backing={"velocity": 343.0, "density": 1e-9, "material": None},
    )
    response = respond(spec, nominal(spec, np.array([thickness])))
    return echoes_of(response, np.zeros(1))


@pytest.mark.parametrize(("front", "liquid", "gap", "error"), ERRORS)
def test_error_of_a_reading_by_envelope_peaks(front, liquid, gap, error):
    found = first_echoes(front, liquid, gap)
    interval = found.time_s[0, 0] - found.interface_s[0]
    assert (interval * 5900 / 2 - 2e-3) * 1e6 == pytest.approx(error, abs=0.02)


@pytest.mark.parametrize("gap_um", [2, 10, 50])
def test_where_time_counts_from_the_pulse_couplant_reads_as_wall(gap_um):
    """h v / c by ray theory: 10 um of glycerin read as 31 um of steel (nearly matched layers)."""
    bare, wet = (first_echoes("polystyrene", "glycerin", gap).time_s[0, 0] for gap in (0, gap_um))
    assert (wet - bare) * 5900 / 2 * 1e6 == pytest.approx(gap_um * 5900 / 1920, abs=0.5)


def test_back_wall_echo_through_20_um_of_water():
    none = first_echoes("polystyrene", "water", 0)
    some = first_echoes("polystyrene", "water", 20)
    assert none.height[0, 0] == pytest.approx(0.192, abs=1e-3)
    assert some.height[0, 0] == pytest.approx(0.084, abs=1e-3)


@pytest.mark.parametrize(("beta", "mean"), [(2.0, 0.78373 + 0.40613j), (10.0, 0.26375 + 0.26322j)])
def test_strips_average_a_cylinders_phase_over_a_disc(beta, mean):
    """e^(jb/2) [J0(b/2) - j J1(b/2)]: a closed form, checked by quadrature outside this project."""
    places, weights = strips(9 if beta < 5 else 15)
    assert weights.sum() == pytest.approx(1, abs=1e-14)
    assert np.sum(weights * np.exp(1j * beta * places**2)) == pytest.approx(mean, abs=1e-5)


def test_sagitta_of_a_flat_tip_on_a_tube():
    """a^2 / 2R: 180 um for a radius of 3 mm on 25 mm (exactly 181)."""
    across = np.array([-3e-3, 0.0, 3e-3])
    assert gaps(0.0, 1 / 25e-3, 0.0, 0.0, across)[[0, 2]] == pytest.approx([180e-6] * 2)


def test_a_contoured_tip_takes_the_curvature_away():
    across = np.linspace(-1, 1, 9) * 1.5e-3
    assert gaps(2e-6, 1 / 2.5e-3 - 1 / 2.5e-3, 0.0, 0.0, across) == pytest.approx([2e-6] * 9)


@pytest.mark.parametrize("curvature", [-20.0, 0.0, 40.0])
@pytest.mark.parametrize("tilt", [-2e-3, 0.0, 5e-3])
def test_the_smallest_gap_is_the_one_stated(curvature, tilt):
    found = gaps(3e-6, curvature, tilt, 0.1e-3, np.linspace(-1, 1, 33) * 1.5e-3)
    assert found.min() == pytest.approx(3e-6, rel=1e-12)
