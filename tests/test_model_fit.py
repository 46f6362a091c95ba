"""The model fit on A-scans by an independent time-domain method, and what it must not do.

The lattice of travelling waves shares no code with it. Small exams here; the larger ones, slow, are
on other seeds than those that settings were chosen on.
"""

import numpy as np
import pandas as pd
import pytest
from echotrial.ascan import Batch, Readings, Reason
from echotrial.errors import NotApplicable
from echotrial.setup import Tolerance
from echotrial_detectors.model_fit import ModelFit, ModelFitSettings
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.timedomain.exam import make_exam
from tests.trains import INTERFACE, M, setup, trains

POLYMER = Tolerance(relative=0.015, absolute=10e-6)


def read(batch: Batch, **changes: object) -> Readings:
    return ModelFit().prepare(batch.setup, ModelFitSettings(**changes))(batch)


def sit(kind: str, n: int, seed: int) -> tuple[Batch, pd.DataFrame, Readings, pd.DataFrame]:
    """An exam, its truth, the readings, and (walls only) error over tolerance and wavelengths."""
    batch, truth = make_exam(kind, n, seed)
    if kind != "metal":
        known = batch.setup.model_copy(update={"tolerance": POLYMER})
        batch = Batch.of(batch.samples, batch.rate_hz, batch.start_s, known)
    found = read(batch)
    wall = truth.thickness_mm.to_numpy(float) * 1e-3
    low, high = batch.setup.wall_range
    table = pd.DataFrame(
        {
            "error_um": 1e6 * (found.thickness_m - wall),
            "over": np.abs(found.thickness_m - wall) / batch.setup.tolerance.of(wall),
            "wavelengths": truth.wall_wavelengths.to_numpy(float),
            "inside": (wall >= low) & (wall <= high),
            "gap_um": truth.couplant_gap_um.to_numpy(float),
        }
    )
    return batch, truth, found, table


def require(kind: str, n: int, seed: int, hits: float, rms_um: float, lies: float) -> None:
    _, truth, found, table = sit(kind, n, seed)
    thick = table[table.inside & (table.wavelengths >= 0.35)]
    assert (thick.over <= 1).mean() >= hits
    assert (thick.over > 2).sum() <= lies * len(thick)
    assert np.sqrt((thick.error_um[thick.over <= 2] ** 2).mean()) <= rms_um
    thin = table[table.wavelengths < 0.33]
    assert (thin.over > 2).sum() <= 0.01 * len(thin)  # it knows that it does not know
    assert not found.answered[truth.kind.to_numpy() != "wall"].any()


def test_metal_walls():
    require("metal", 120, 71, hits=0.99, rms_um=0.75, lies=0.0)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "hits", "rms_um"),
    [("metal", 0.995, 0.75), ("nylon-matched", 0.99, 2.0), ("nylon-mismatched", 0.97, 3.0)],
)
def test_targets_on_the_lattice(kind, hits, rms_um):
    require(kind, 500, 2027, hits=hits, rms_um=rms_um, lies=0.002)


def test_confidence_is_high_where_it_is_right():
    _, _, found, table = sit("metal", 60, 5)
    right = (table.over <= 1).to_numpy()
    assert np.median(found.confidence[right]) > 0.95
    assert np.isnan(found.confidence[~found.answered]).all()
    assert ((found.confidence[right] >= 0) & (found.confidence[right] <= 1)).all()


def test_marks_lie_a_round_trip_apart_on_the_echoes():
    batch, truth, found, table = sit("metal", 60, 6)
    good = np.flatnonzero(found.answered & (table.wavelengths > 1))
    span = found.second_echo_s - found.first_echo_s
    np.testing.assert_allclose(
        batch.setup.velocity * span[good] / 2, found.thickness_m[good], rtol=1e-9
    )
    interface = truth.interface_us.to_numpy(float)[good] * 1e-6
    quarter_period = 0.25 / batch.setup.centre_frequency
    assert np.abs(found.first_echo_s[good] - interface).max() < quarter_period


def test_polymer_sees_the_sign_of_its_interface_echo():
    """A wall on a delay line of lower or higher impedance, no couplant gap (method of images)."""
    walls = np.linspace(0.3e-3, 1.2e-3, 12)
    found = read(trains(setup(metal=False), walls, noise=2e-3))
    np.testing.assert_allclose(found.thickness_m, walls, atol=5e-6)


@pytest.mark.parametrize("value", [0.0, 0.3, np.nan, np.inf, -np.inf])
def test_constants_and_bad_samples_are_silent(value):
    batch = Batch.of(np.full((2, M), value), 100e6, 0.0, setup())
    found = read(batch)
    assert not found.answered.any()
    assert set(found.reason) <= {Reason.BAD_SAMPLES, Reason.NO_ECHO, Reason.POOR_FIT}


def test_one_bad_record_spoils_no_other():
    walls = np.linspace(0.2e-3, 1.2e-3, 6)
    batch = trains(setup(), walls, noise=2e-3)
    spoilt = batch.samples.copy()
    spoilt[2, 100] = np.nan
    found = read(Batch.of(spoilt, batch.rate_hz, batch.start_s, batch.setup))
    assert found.reason[2] == Reason.BAD_SAMPLES
    want = read(batch).thickness_m
    np.testing.assert_allclose(np.delete(found.thickness_m, 2), np.delete(want, 2), rtol=1e-6)


def test_noise_alone_is_silent():
    noise = 0.1 * np.random.default_rng(8).standard_normal((300, M))
    assert read(Batch.of(noise, 100e6, 0.0, setup())).answered.mean() <= 0.01


def test_a_lamination_is_a_poor_fit_or_no_reading_of_the_wall():
    """Two echo trains at once, by images: no single wall explains them."""
    one = trains(setup(), np.array([0.9e-3]), noise=1e-3)
    other = trains(setup(), np.array([0.37e-3]))
    mixed = Batch.of(0.5 * (one.samples + other.samples), 100e6, 0.0, setup())
    assert read(mixed).reason[0] in (Reason.POOR_FIT, Reason.AMBIGUOUS)


@settings(deadline=None, max_examples=15)
@given(st.floats(0.05, 1.5), st.integers(-40, 40))
def test_gain_and_a_common_shift_change_nothing(gain, shift):
    batch = trains(setup(), np.array([0.15e-3, 0.5e-3, 1.2e-3]), noise=2e-3)
    moved = np.roll(batch.samples, shift, axis=1)
    other = Batch.of(gain * moved, batch.rate_hz, batch.start_s - shift / batch.rate_hz, setup())
    np.testing.assert_allclose(read(other).thickness_m, read(batch).thickness_m, atol=2e-8)


def test_readings_hang_on_no_batch_size():
    batch = trains(setup(), np.linspace(0.12e-3, 1.3e-3, 200), noise=3e-3)
    whole = read(batch).thickness_m
    parts = np.concatenate([read(batch.take(slice(i, i + 1))).thickness_m for i in (0, 77, 199)])
    np.testing.assert_allclose(parts, whole[[0, 77, 199]], atol=1e-9)


def test_it_says_what_it_needs():
    for missing in ({"reference_echo": None}, {"wall": None}, {"delay_line": None}):
        with pytest.raises(NotApplicable):
            ModelFit().prepare(setup(**missing), ModelFitSettings())


def test_without_a_nominal_interface_time_the_strongest_echo_leads():
    walls = np.linspace(0.3e-3, 1.2e-3, 8)
    known = setup(interface_echo=None)
    found = read(trains(known, walls, noise=2e-3))
    np.testing.assert_allclose(found.thickness_m, walls, atol=3e-6)
    assert found.first_echo_s[0] == pytest.approx(INTERFACE, abs=20e-9)
