"""The beam's spreading against Williams' integral, and walls that are read right in spite of it.

Williams (JASA 23 (1951) 1, from memory): the mean pressure of a round piston of radius a on itself
after a path z is 1 - 4/pi int_0^(pi/2) exp(-j k (sqrt(z^2 + 4 a^2 cos^2 t) - z)) sin^2 t dt times
that of a plane wave. Invented data.
"""

from functools import cache

import numpy as np
import pytest
import scipy.fft
from echotrial.ascan import Batch
from echotrial.setup import Medium, Setup
from echotrial_detectors import detectors
from echotrial_detectors.diffraction import earliness, early_at, shortened
from echotrial_detectors.plan import EchoSettings, plan
from echotrial_detectors.pulse import pulse_spectrum
from numpy.typing import NDArray

from tests.trains import INTERFACE, RATE, M, pulse, setup

DIAMETER, LENGTH, SLOW = 3e-3, 12e-3, 2350.0
CARD = {d.name: d for d in detectors()}


def williams(hertz: NDArray[np.float64], path_m: float, speed: float) -> NDArray[np.complex128]:
    """The path's wave over a plane one's."""
    theta = (np.arange(4000) + 0.5) * np.pi / 8000
    longer = np.sqrt(path_m**2 + (DIAMETER * np.cos(theta)) ** 2) - path_m
    turned = np.exp(-2j * np.pi / speed * np.outer(hertz, longer))
    return np.asarray(1 - 4 / np.pi * (turned @ np.sin(theta) ** 2) * np.pi / 8000)


def spread_setup() -> Setup:
    tip = Medium(impedance=2.47e6, velocity=SLOW, length=LENGTH)
    return setup(delay_line=tip, element_diameter=DIAMETER)


@cache
def spread_trains() -> tuple[Setup, NDArray[np.float64], NDArray[np.float32]]:
    """As `tests.trains.trains`, each echo spread by a path of the same sum of z lambda."""
    known, walls = spread_setup(), np.linspace(0.7e-3, 1.3e-3, 30)
    r, f0 = known.interface_reflection, known.centre_frequency
    assert r is not None
    line = scipy.fft.rfft(pulse(np.arange(M) / RATE - INTERFACE, f0))
    hertz = scipy.fft.rfftfreq(M, 1 / RATE)
    band = (hertz > 0.3 * f0) & (hertz < 1.8 * f0)
    behind = np.linspace(0, 8e-6, 33)  # seconds behind the interface echo, between them a line
    table = np.array([beyond_tip(hertz[band], s * known.velocity**2) for s in behind])
    found = np.zeros((len(walls), line.size), complex)
    for row, wall in zip(found, walls, strict=True):
        row -= r * line
        for n in range(1, 25):
            delay = 2 * n * wall / known.velocity
            place = delay / behind[1]
            low = min(int(place), len(behind) - 2)
            spread = table[low] + min(place - low, 1.0) * (table[low + 1] - table[low])
            height = (1 - r**2) * r ** (n - 1) * 0.9**n
            turn = np.exp(-2j * np.pi * hertz[band] * delay)
            row[band] += height * line[band] * spread * turn
    return known, walls, 0.5 * scipy.fft.irfft(found, n=M, axis=1).astype(np.float32)


def beyond_tip(hertz: NDArray[np.float64], more: float) -> NDArray[np.complex128]:
    """What a sum of z c, greater by so much than the delay line's, does beyond the delay line's."""
    tip = 2 * LENGTH * SLOW
    return williams(hertz, (tip + more) / SLOW, SLOW) / williams(hertz, tip / SLOW, SLOW)


def test_an_echo_is_early_by_the_phase_of_williams_integral():
    known = spread_setup()
    early = earliness(plan(known, EchoSettings()), RATE, M)
    hertz = np.linspace(0.5, 1.5, 21) * known.centre_frequency
    turn = 2 * np.pi * hertz / RATE
    weight = np.abs(pulse_spectrum(known, hertz)) ** 2 * turn
    for behind in (100, 400, 900):
        ahead = np.angle(beyond_tip(hertz, known.velocity**2 * behind / RATE))
        want = np.sum(weight * ahead) / np.sum(weight * turn)
        assert early[behind] == pytest.approx(want, rel=0.05)
    assert abs(early[0]) < 1e-12
    assert np.all(np.diff(early[::16]) > 0)


def test_without_dimensions_or_an_interface_echo_nothing_is_early():
    direct = spread_setup().model_copy(update={"interface_echo": None, "delay_line": None})
    early = earliness(plan(direct, EchoSettings()), RATE, M)
    assert np.all(np.diff(early[::128]) > 0)  # from a plane wave on
    assert abs(early[0]) < 1e-3
    for less in ({"element_diameter": None}, {"delay_line": Medium(impedance=2.47e6)}):
        known = spread_setup().model_copy(update=less)
        assert earliness(plan(known, EchoSettings()), RATE, M).size == 0
    bare = spread_setup().model_copy(update={"interface_echo": None})
    assert earliness(plan(bare, EchoSettings(mode=3)), RATE, M).size == 0


def test_a_lag_is_shortened_by_the_weighted_mean_over_neighbours():
    early, found = np.sqrt(np.arange(300.0)), np.zeros(3)
    shortened(early, np.array([20.0, np.nan, 60.0]), 30.0, 0.5, 1e9, found)
    want = []
    for lag, orders in ((20.0, (2, 3, 4)), (60.0, (1, 2, 3))):
        steps = np.array([np.sqrt((k + 1) * lag) - np.sqrt(k * lag) for k in orders])
        want.append(np.average(steps, weights=0.25 ** np.arange(3)))
    np.testing.assert_allclose(found[[0, 2]], want, rtol=0.01)
    assert found[1] == 0
    assert early_at(early, -1.0) == 0
    assert early_at(early, 1e6) == early[-1]
    assert early_at(early, 100.5) == pytest.approx((early[100] + early[101]) / 2)


@pytest.mark.parametrize(
    "name", ["threshold", "correlation", "envelope", "sparse", "autocorrelation", "spectral-notch"]
)
def test_walls_are_read_right_behind_a_beam_that_spreads(name):
    known, walls, samples = spread_trains()
    factory = CARD[name]
    found, thin = (
        factory().prepare(s, factory.Settings())(Batch.of(samples, RATE, 0.0, s)).thickness_m
        for s in (known, known.model_copy(update={"element_diameter": None}))
    )
    good = ~np.isnan(found) & ~np.isnan(thin)
    assert good.sum() >= 8
    assert np.median((thin - walls)[good]) < -0.5e-6
    assert abs(np.median((found - walls)[good])) < 0.4e-6
