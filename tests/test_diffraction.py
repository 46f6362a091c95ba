"""Diffraction of a piston against published values, and how the generator folds it in.

Rogers and Van Buren, JASA 55 (1974) 724; Williams, JASA 23 (1951) 1 (titles opened, formulas from
memory, verified by quadrature and by a 3-D full-wave simulation outside this project).
"""

import numba
import numpy as np
import pytest
from echotrial_corpora.chain import DIFFRACTION_STEP
from echotrial_corpora.diffraction import piston, piston_exact, piston_slope, table
from echotrial_corpora.spreading import piston_at
from scipy.integrate import quad
from scipy.special import j1


@numba.njit
def looked_up(real, late, values):
    """The generator's table from Python."""
    return piston_at(real, late, values, DIFFRACTION_STEP)


TABLE = [
    (0.05, 0.951046, 0.0528),
    (0.1, 0.931657, 0.0760),
    (0.2, 0.905231, 0.1101),
    (0.5, 0.856547, 0.1814),
    (1, 0.808130, 0.2659),
    (2, 0.751721, 0.3883),
    (3, 0.732752, 0.6296),
    (5, 0.551201, 0.9640),
    (10, 0.304001, 1.2593),
    (20, 0.155793, 1.4140),
    (50, 0.062749, 1.5080),
]


@pytest.mark.parametrize(("s", "size", "phase"), TABLE)
def test_closed_form_as_tabulated(s, size, phase):
    d = piston(2 * np.pi / s)
    assert abs(d) == pytest.approx(size, abs=1e-6)
    assert np.angle(d) == pytest.approx(phase, abs=1e-4)


@pytest.mark.parametrize(("ka", "most"), [(50, 3.5e-3), (100, 1e-3)])
def test_closed_form_against_williams(ka, most):
    assert abs(piston(2 * np.pi) - piston_exact(1.0, ka)) < most


@pytest.mark.parametrize(
    ("mhz", "size"), [(3.5, 0.7297), (4.0, 0.7584), (5.0, 0.7681), (6.0, 0.7482), (6.5, 0.7406)]
)
def test_williams_integral_against_a_full_wave_simulation(mhz, size):
    """k-wave-python 0.6.2 in 3-D, run outside this project: disc of 441 cells of 94 um, 60 off."""
    a, z, wavelength = 94e-6 * np.sqrt(441 / np.pi), 60 * 94e-6, 2350 / (mhz * 1e6)
    found = piston_exact(z * wavelength / a**2, 2 * np.pi * a / wavelength)
    assert abs(found) == pytest.approx(size, abs=1e-3)


@pytest.mark.parametrize("ka", [10.0, 60.0])
def test_far_field_of_williams_integral(ka):
    assert 500 * abs(piston_exact(500.0, ka)) == pytest.approx(np.pi, rel=5e-3)


def test_limits():
    assert 1000 * abs(piston(2 * np.pi / 1000)) == pytest.approx(np.pi, rel=1e-3)
    assert abs(1 - piston(2 * np.pi / 0.01)) == pytest.approx(np.sqrt(0.01) / np.pi, rel=1e-2)


def test_path_through_two_media_against_an_angular_spectrum():
    """16 mm of polystyrene and 2 mm of steel, 15 MHz, radius 3 mm: S adds z lambda of both."""
    f, a = 15e6, 3e-3
    paths, c = np.array([16e-3, 2e-3]), np.array([2350.0, 5900.0])
    k = 2 * np.pi * f / c
    s = (paths * c / f).sum() / a**2
    u = np.linspace(1e-6, 0.95 * k[1] * a, 400001)
    turn = sum((np.sqrt(kk**2 - (u / a) ** 2) - kk) * z for kk, z in zip(k, paths, strict=True))
    spectrum = np.trapezoid(2 * j1(u) ** 2 / u * np.exp(-1j * turn), u)
    assert abs(piston(2 * np.pi / s) - spectrum) < 2 / np.pi / u[-1]  # what the cut-off leaves out
    assert abs(spectrum) == pytest.approx(0.8716, abs=1e-4)
    assert abs(piston(2 * np.pi / s)) == pytest.approx(0.8712, abs=1e-4)


def test_slope_is_the_derivative():
    x = np.array([0.0, 0.3, 2.0, 40.0])
    numeric = (piston(x + 1e-6) - piston(np.maximum(x - 1e-6, 0))) / np.where(x == 0, 1e-6, 2e-6)
    assert piston_slope(x) == pytest.approx(numeric, abs=1e-5)


@pytest.mark.parametrize("real", [0.013, 0.7, 3.1, 55.5, 250.0, 399.9, 401.0, 2000.0])
def test_generators_table_against_bessel_functions(real):
    x = complex(real, -0.01 * min(real, 30.0))
    values = table(400.0, DIFFRACTION_STEP)
    assert abs(looked_up(x.real, x.imag, values) - piston(x)) < 3e-4
    assert abs(looked_up(real, 0.0, values) - piston(real)) < 4e-5


def test_mean_pressure_from_the_fresnel_integral():
    """The closed form is the Fresnel form of Williams' integral, by quadrature."""
    x = 2 * np.pi / 1.7

    def part(get):
        return quad(lambda t: get(np.exp(-2j * x * np.cos(t) ** 2)) * np.sin(t) ** 2, 0, np.pi / 2)[
            0
        ]

    d = 1 - 4 / np.pi * complex(part(np.real), part(np.imag))
    assert abs(piston(x) - d) < 1e-12
