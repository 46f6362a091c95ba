"""Zero crossings: exact on a sine, and many at once as one by one."""

import numpy as np
import pytest
from echotrial_detectors.flags import room
from echotrial_detectors.noise import fixed
from echotrial_detectors.zeros import (
    OFF,
    TOGETHER,
    Carrier,
    ends,
    find_ends,
    flag_changes,
    lay_sines,
    nearest_zero,
    single_arctan,
)
from hypothesis import given, settings
from hypothesis import strategies as st


@settings(deadline=None)
@given(zero=st.floats(20.0, 80.0), per_period=st.floats(4.2, 20.0), rises=st.booleans())
def test_zero_crossing_of_a_sine_is_exact(zero, per_period, rises):
    line = np.sin(2 * np.pi * (np.arange(100) - zero) / per_period) * (1 if rises else -1)
    found = nearest_zero(line.astype(np.float32), zero + 0.2 * per_period, 1 / per_period)
    assert abs(found) == pytest.approx(zero, abs=1e-4 * per_period)
    assert (found < 0) == rises


def test_there_is_no_zero_crossing_in_a_constant():
    assert nearest_zero(np.ones(50, np.float32), 25.0, 0.2) == 0


def slow_zero(line, target, period):
    """Of all sign changes the nearest one by a straight line, then by a sine."""
    changes = np.flatnonzero((line[:-1] > 0) != (line[1:] > 0))
    middle = min(max(int(target), 0), line.size - 2)
    ahead, behind = changes[changes >= middle][:1], changes[changes < middle][-1:]
    near = [int(i) for i in (*behind, *ahead)]
    away = [abs(i + line[i] / (line[i] - line[i + 1]) - target) for i in near]
    if not near or min(away) >= 0.5 * period + 1:
        return 0.0
    i, w = near[int(np.argmin(away))], 2 * np.pi / period
    before, after = abs(float(line[i])), abs(float(line[i + 1]))
    turned = after + before * np.cos(w)
    shift = np.arctan2(before * np.sin(w), turned) / w
    if turned <= 0:
        shift = before / (before + after)
    return (i + shift) * (1 if line[i] > 0 else -1)


@pytest.mark.parametrize("period", [3.1, 5.0, 21.0, 150.0, 400.0])
def test_many_at_once_are_the_slow_twins(period):
    """Of as many records as are worked out together, noise on a sine whose period is another."""
    draw = np.random.default_rng(8)
    near, flags, carrier, m = ends(), room(1000)[0], Carrier.of(1 / period), 1000
    lines, targets = [], []
    for _ in range(TOGETHER):
        phase = 2 * np.pi * (np.arange(m) / (1.1 * period) + draw.uniform())
        wave = np.sin(phase) + 0.1 * draw.standard_normal(m)
        wave[400:600] = np.linspace(2, 2.5, 200) ** 5  # points at zeros far off that are none
        lines.append(fixed(wave.astype(np.float32)))
        targets.append(np.concatenate([draw.uniform(-5, m + 5, 30), [0.0, m - 1.0]]))
    for row, (line, place) in enumerate(zip(lines, targets, strict=True)):
        flag_changes(line, 0, m, flags)
        find_ends(line, flags, place, place.size, carrier, near, row * place.size)
    total = TOGETHER * targets[0].size
    lay_sines(near, total, carrier)
    found = near[:total] * (np.concatenate(targets) + near[OFF : OFF + total])
    want = [slow_zero(x, t, period) for x, ts in zip(lines, targets, strict=True) for t in ts]
    np.testing.assert_allclose(found, want, atol=2e-3)
    assert np.mean(np.array(want) != 0) > 0.7


def test_changes_are_flagged_between_two_samples_only():
    line, (flags, _) = fixed(np.array([1, -1, 1, 1, -1, -1], np.float32)), room(6)
    flags[:] = 1
    flag_changes(line, 1, 99, flags)
    assert list(np.flatnonzero(flags) - 64) == [1, 3]


def test_the_arc_tangent_in_single_precision_is_numpys():
    one = np.float32(1)
    for y in [0.0, *np.geomspace(1e-6, 1e6, 200)]:
        assert single_arctan(np.float32(y), one) == pytest.approx(np.arctan(y), abs=1.2e-5)
