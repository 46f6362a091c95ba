"""Interpolated extrema against closed forms, kernels against their slow twins."""

import numpy as np
import pytest
from echotrial_detectors.flags import flagged, room
from echotrial_detectors.noise import fixed, survey
from echotrial_detectors.peaks import (
    Candidates,
    arctan,
    cosine_peak,
    drop_side_lobes,
    find_extrema,
    keep_between,
    parabola_peak,
    refine_extrema,
    strongest,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray


def found_in(signal: NDArray[np.float32], level: float, separation: int = 0) -> Candidates:
    n, m = signal.shape
    found, seen = Candidates.none(n), survey(signal)
    find_extrema(
        fixed(signal), seen.loudest, seen.length, np.zeros(n, int), np.full(n, m),
        np.full(n, level), separation, *room(m), found.sample, found.amplitude, found.count,
    )  # fmt: skip
    for row in range(n):
        refine_extrema(
            fixed(signal)[row], found.sample[row], found.amplitude[row], found.count[row]
        )
    return found


@settings(deadline=None)  # a first call compiles
@given(
    shift=st.floats(-0.49, 0.49),
    theta=st.floats(0.2, 2.0),
    height=st.floats(0.1, 1e3),
    sign=st.sampled_from([-1, 1]),
)
def test_cosine_interpolation_is_exact_on_a_sinusoid(shift, theta, height, sign):
    left, centre, right = sign * height * np.cos(theta * (np.arange(-1, 2) - shift))
    place, top = cosine_peak(left, centre, right)
    assert place == pytest.approx(shift, abs=1e-9)
    assert top == pytest.approx(sign * height, rel=1e-9)


def test_the_arc_tangent_is_numpys():
    for y in [0.0, *np.geomspace(1e-6, 1e6, 200)]:
        assert arctan(y, 1.0) == pytest.approx(np.arctan(y), abs=3e-8)
    assert arctan(2.0, 0.0) == pytest.approx(np.pi / 2, abs=3e-8)


@pytest.mark.parametrize(
    ("per_period", "worst"), [(4, 0.0453), (8, 0.0102), (10, 0.0065), (20, 0.0016)]
)
def test_parabola_has_the_published_bias(per_period, worst):
    """Cespedes, Huang, Ophir, Spratt, Ultrason. Imaging 17 (1995) 142: bias on a sinusoid,
    b(d) = cot(theta / 2) tan(theta d) / 2 - d; the largest values are the table's."""
    theta = 2 * np.pi / per_period
    shifts = np.linspace(-0.5, 0.5, 201)
    found = np.array([parabola_peak(*np.cos(theta * (np.arange(-1, 2) - d)))[0] for d in shifts])
    np.testing.assert_allclose(
        found - shifts, 0.5 / np.tan(theta / 2) * np.tan(theta * shifts) - shifts, atol=1e-12
    )
    assert np.abs(found - shifts).max() == pytest.approx(worst, abs=6e-5)


def test_extrema_are_those_of_the_slow_twin():
    signal = np.random.default_rng(3).standard_normal((5, 300)).astype(np.float32)
    found = found_in(signal, 0.8)
    for row, line in enumerate(signal):
        twin = [
            i
            for i in range(1, 299)
            if abs(line[i]) > 0.8
            and np.sign(line[i]) * (line[i] - line[i - 1]) >= 0
            and np.sign(line[i]) * (line[i] - line[i + 1]) > 0
        ][: found.sample.shape[1]]
        assert found.count[row] == len(twin)
        np.testing.assert_allclose(found.sample[row, : len(twin)], twin, atol=1)


def test_extrema_are_refined_to_the_cosine_s_place():
    place, step = np.array([[203.3], [400.71]]), 2 * np.pi * 0.18
    time = np.arange(512) - place
    signal = (-0.7 * np.exp(-0.5 * (time / 8) ** 2) * np.cos(step * time)).astype(np.float32)
    found = found_in(signal, 0.55, separation=40)
    np.testing.assert_array_equal(found.count, [1, 1])
    np.testing.assert_allclose(found.sample[:, 0], place[:, 0], atol=0.01)
    np.testing.assert_allclose(found.amplitude[:, 0], -0.7, atol=0.01)


@pytest.mark.parametrize("count", [0, 1, 7, 8, 9, 50])
def test_flagged_samples_are_numpys(count):
    flags, places = room(50)
    flags[:50] = np.random.default_rng(count).integers(0, 2, 50)
    want = np.flatnonzero(flags[:count])
    np.testing.assert_array_equal(places[: flagged(flags, count, places)], want)


def test_of_two_near_extrema_the_greater_stays():
    signal = np.zeros((1, 40), np.float32)
    signal[0, [10, 13, 30]] = 0.5, -0.9, 0.4
    found = found_in(signal, 0.1, separation=5)
    np.testing.assert_allclose(found.sample[0, : found.count[0]], [13, 30], atol=0.5)
    assert found.amplitude[0, 0] < 0


def slow_drop(sample, amplitude, lobes):
    reach = lobes.size // 2
    keep = []
    for i in range(len(sample)):
        lobe = False
        for j in range(len(sample)):
            lag = int(sample[i] - sample[j])
            if j != i and abs(lag) <= reach and abs(amplitude[j]) > abs(amplitude[i]):
                lobe |= abs(amplitude[i]) < abs(amplitude[j]) * lobes[reach + lag]
        keep.append(not lobe)
    return np.asarray(sample)[keep]


@settings(deadline=None)  # a first call compiles
@given(st.lists(st.tuples(st.floats(0, 200), st.floats(-1, 1)), max_size=12))
def test_dropped_side_lobes_are_those_of_the_slow_twin(echoes):
    echoes = sorted(echoes)
    lobes = np.concatenate([np.linspace(0, 1, 21), np.linspace(1, 0, 21)[1:]])
    place, height = np.array([t for t, _ in echoes]), np.array([a for _, a in echoes])
    want = slow_drop(place, height, lobes)
    left = drop_side_lobes(place, height, place.size, lobes, np.empty(place.size, np.bool_))
    np.testing.assert_array_equal(place[:left], want)


def test_only_candidates_in_the_gate_stay():
    place, height = np.array([1.0, 5.0, 9.0, 12.0]), np.array([1.0, 2.0, 3.0, 4.0])
    assert keep_between(place, height, 4, 4.0, 9.0) == 2
    np.testing.assert_array_equal(height[:2], [2, 3])


def test_strongest_is_the_greatest_modulus():
    draw = np.random.default_rng(5)
    for m in (100, 300, 640, 700):
        signal = draw.standard_normal((60, m)).astype(np.float32)
        first = draw.integers(0, m + 1, 60)
        last = np.maximum(first, draw.integers(0, m + 1, 60))
        last[::3] = m
        want = [np.abs(s[a:b]).max(initial=0) for s, a, b in zip(signal, first, last, strict=True)]
        np.testing.assert_array_equal(strongest(signal, survey(signal), first, last), want)
