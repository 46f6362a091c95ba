"""Attenuation and the dispersion that causality demands of it.

Formula: Waters et al., JASA 108 (2000) 556 (from memory); checked against the once-subtracted
Kramers-Kronig integral, evaluated with mpmath outside this project, and by where the energy of a
pulse arrives.
"""

import numpy as np
import pytest
from echotrial_corpora.attenuation import power_law, propagation

#: exponent, 1/c(3) - 1/c(1) for alpha = omega^y Np/m, by the integral
INTEGRAL = [
    (0.5, -0.42264973081),
    (1.0, -0.699398305132),
    (1.1, -0.733172865945),
    (1.5, -0.732050807569),
    (1.9, -0.267333197323),
    (2.0, 0.0),
    (2.5, 4.1961524),
]


@pytest.mark.parametrize(("exponent", "difference"), INTEGRAL)
def test_slowness_agrees_with_the_kramers_kronig_integral(exponent, difference):
    omega = np.array([1.0, 3.0])
    loss = power_law(1j * omega, exponent, 1 / (2 * np.pi))
    assert loss.real == pytest.approx(omega**exponent, rel=1e-12)
    slowness = loss.imag / omega
    assert slowness[1] - slowness[0] == pytest.approx(difference, rel=1e-8, abs=1e-12)


@pytest.mark.parametrize(("mhz", "velocity"), [(5, 2345.543), (10, 2350.0), (15, 2352.615)])
def test_worked_example_of_one_db_per_cm_and_mhz(mhz, velocity):
    alpha = 1.0 * 100 / 8.685889638 * 10  # Np/m at 10 MHz
    s = 2j * np.pi * mhz * 1e6
    gamma = propagation(s, 2350.0, alpha, 1.0, 10e6)
    assert s.imag / gamma.imag == pytest.approx(velocity, abs=1e-3)


def _early(dispersive):
    """Share of an impulse's energy that comes before its front, after 20 mm of that medium."""
    rate, n, depth, alpha = 400e6, 1 << 16, 20e-3, 1.0 * 100 / 8.685889638 * 10
    f = np.fft.rfftfreq(n, 1 / rate)
    gamma = propagation(2j * np.pi * f, 2350.0, alpha, 1.0, 10e6)
    front = depth * gamma[-1].imag / (np.pi * rate)
    if not dispersive:
        gamma, front = gamma.real + 2j * np.pi * f / 2350.0, depth / 2350.0
    energy = np.fft.irfft(np.exp(-gamma * depth), n) ** 2
    return energy[np.arange(n) / rate < front].sum() / energy.sum()


def test_nothing_comes_before_the_front():
    assert _early(dispersive=True) < 1e-6


def test_without_dispersion_half_of_it_would():
    """The same test on the model we do not have: it must fail there."""
    assert _early(dispersive=False) > 0.4


def test_exponents_without_causal_dispersion_are_refused():
    with pytest.raises(ValueError, match="0 < y < 3"):
        power_law(1j, 3.0, 1e6)


@pytest.mark.parametrize("exponent", [0.5, 1.0, 1.5, 2.0])
def test_velocity_and_attenuation_are_those_stated_at_their_frequency(exponent):
    gamma = propagation(2j * np.pi * 7e6, 2500.0, 40.0, exponent, 7e6)
    assert gamma.real == pytest.approx(40.0, rel=1e-12)
    assert gamma.imag == pytest.approx(2 * np.pi * 7e6 / 2500.0, rel=1e-12)
