"""A lamination in a wall, made by `tmm`, which nobody here wrote: what is made of it.

A partial reflector of coefficient -r from above and r from below is a step of impedance with that
coefficient: an upper part of the wall and a lower one of impedance (1 - r) / (1 + r) times as much
(Kinsler et al., Fundamentals of Acoustics, ch. 6, and the mapping to s-polarised light,
Brekhovskikh, Waves in Layered Media; both from memory).
"""

from functools import cache

import numpy as np
import pytest
import tmm
from echotrial.ascan import Batch, Readings
from echotrial_detectors.fit.lamination import LAMINATED, laminated
from echotrial_detectors.fit.stack import aperture
from echotrial_detectors.model_fit import ModelFit, ModelFitSettings

from tests.trains import RATE, M, setup

POLYSTYRENE, GLYCERIN, STEEL, AIR = 2.47e6, 1260.0 * 1904.0, 45.9e6, 413.0
FINE = 4 * M  # a metal wall rings longer than a record


def by_tmm(cycles: float, gap: float, wall: float, r: float, depth: float) -> complex:
    """Reflection, exp(+j w t), at `cycles` of the unit that round trips are counted in."""
    parts = [POLYSTYRENE, GLYCERIN, STEEL, STEEL * (1 - r) / (1 + r), AIR]
    n = 1e6 / np.array(parts)
    trips = [gap, wall * depth, wall * (1 - depth)]
    thick = [cycles * trip / 2 / part for trip, part in zip(trips, n[1:4], strict=True)]
    return complex(np.conj(tmm.coh_tmm("s", list(n), [np.inf, *thick, np.inf], 0.0, 1.0)["r"]))


def of_bin(theta: np.ndarray, cycles: float, film: float = 0.0) -> np.ndarray:
    """The kernel's model and derivatives at one frequency, (9,), from products with 1 and j."""
    strips = aperture(reflection_of(GLYCERIN, POLYSTYRENE))
    table = np.stack([strips.excess, strips.share, strips.lean])
    s = 2j * np.pi * np.array([cycles, cycles + 0.1])
    rows, few = np.empty(LAMINATED + 1, complex), len(strips.excess)
    found = []
    for unit in (1, 1j):
        products = np.empty((LAMINATED + 1, LAMINATED + 2))
        laminated(
            theta, np.array([unit, 0]), np.array([1, 0j]), s, np.zeros((2, 2), complex), table,
            film, reflection_of(GLYCERIN, POLYSTYRENE), reflection_of(STEEL, GLYCERIN), rows,
            np.empty(few, complex), np.empty(few, complex), products,
        )  # fmt: skip
        found.append(products[:, -1])
    return np.asarray(found[0] + 1j * found[1])


def reflection_of(below: float, above: float) -> float:
    return (below - above) / (below + above)


@pytest.mark.parametrize("r", [-0.3, 0.0, 0.2, 0.5])
@pytest.mark.parametrize("cycles", [0.6, 1.0, 1.37])
def test_a_laminated_wall_is_that_of_tmm(r, cycles):
    """No spread: all strips alike. The record is a pulse times minus the reflection."""
    theta = np.array([0.0, 1.15, 0.07, 0.0, 0.0, 0.0, r, 0.4])
    assert abs(-of_bin(theta, cycles)[0] - by_tmm(cycles, 0.07, 1.15, r, 0.4)) < 2e-3  # air is none


@pytest.mark.parametrize("unknown", [i for i in range(LAMINATED) if i != 4])
def test_derivatives_are_differences(unknown):
    """Slow twin: the model half a step to either side. Without losses the fourth says nothing."""
    theta = np.array([0.1, 1.15, 0.07, 0.3, 0.01, 0.2, 0.3, 0.4])
    half = np.zeros(LAMINATED)
    half[unknown] = 1e-5
    want = (of_bin(theta + half, 1.2, 0.1)[0] - of_bin(theta - half, 1.2, 0.1)[0]) / 2e-5
    assert of_bin(theta, 1.2, 0.1)[1 + unknown] == pytest.approx(want, rel=1e-6, abs=1e-8)


@cache
def echo_trains(r: float) -> tuple[np.ndarray, np.ndarray]:
    """Walls of half a wavelength and a little more, and records of them with little noise."""
    known, rng = setup(), np.random.default_rng(5)
    reference = np.fft.rfft(known.reference_echo.samples, FINE)
    hertz = np.fft.rfftfreq(FINE, 1 / RATE)
    band = (hertz > 2e6) & (hertz < 46e6)
    walls, records = np.linspace(0.12e-3, 0.21e-3, 10), []
    for i, wall in enumerate(walls):
        answer = np.zeros(hertz.size, complex)
        trip, depth = 2 * wall / known.velocity, (0.3, 0.7)[i % 2]
        answer[band] = [-by_tmm(f, 4e-9, trip, r, depth) for f in hertz[band]]
        record = np.fft.irfft(reference * answer, FINE)[:M]
        records.append(record + 4e-3 * rng.standard_normal(M))
    return walls, np.array(records)


def read(r: float, **changes: float) -> tuple[np.ndarray, Readings]:
    walls, records = echo_trains(r)
    known = setup()
    batch = Batch.of(records.astype(np.float32), RATE, 0.0, known)
    return walls, ModelFit().prepare(known, ModelFitSettings(**changes))(batch)


def test_a_wall_with_a_lamination_is_not_read_as_another_one():
    walls, blind = read(0.35, lamination_margin=1e6)
    assert (np.abs(blind.thickness_m - walls) > 10e-6).any()  # there is something to be taken in by
    _, found = read(0.35)
    assert not (np.abs(found.thickness_m - walls) > 10e-6).any()


def test_a_sound_wall_is_read_none_the_less():
    walls, found = read(0.0)
    np.testing.assert_allclose(found.thickness_m, walls, atol=2e-6)
