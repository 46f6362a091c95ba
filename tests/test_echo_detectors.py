"""What holds for all four detectors: laws, silence, independent exams, a recorded block."""

import inspect
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from echotrial.ascan import Batch, Readings, Reason
from echotrial.setup import Setup, read_setup
from echotrial.strict import read_toml
from echotrial_detectors import DETECTORS, detectors
from echotrial_detectors.plan import EchoSettings
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.timedomain.exam import make_exam
from tests.trains import RATE, M, setup, trains

CARD = {d.name: d for d in detectors() if issubclass(d.Settings, EchoSettings)}
NAMES = ("threshold", "correlation", "envelope", "cepstral")
RECORDED = Path(__file__).parents[2] / "shared" / "recorded" / "aluminium-block-contact"
WALLS = np.linspace(0.25e-3, 1.2e-3, 48)


def read(name: str, batch: Batch, **chosen: object) -> Readings:
    factory = CARD[name]
    return factory().prepare(batch.setup, factory.Settings(**chosen))(batch)


def same(one: Readings, other: Readings, atol_m: float = 1e-8) -> None:
    np.testing.assert_array_equal(one.answered, other.answered)
    np.testing.assert_allclose(one.thickness_m, other.thickness_m, atol=atol_m)


@cache
def noisy_trains() -> Batch:
    return trains(setup(), WALLS, noise=5e-3, loss=0.9)


def test_the_four_come_in_by_the_public_door():
    assert set(NAMES) <= set(CARD)
    assert {"threshold", "correlation", "envelope", "cepstral"} <= set(DETECTORS)


def test_importing_the_package_imports_no_detector():
    import subprocess
    import sys

    code = "import sys, echotrial_detectors as d; print(*sys.modules)"
    loaded = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert not {"numba", "echotrial_detectors.threshold"} & set(loaded.stdout.split())


@pytest.mark.parametrize("name", NAMES)
def test_they_read_what_is_there(name):
    found = read(name, noisy_trains())
    right = np.abs(found.thickness_m - WALLS) < np.maximum(0.01 * WALLS, 5e-6)
    thick = WALLS > 0.43e-3  # from 1.5 wavelengths on
    assert np.mean(right[thick]) > (0.8 if name == "cepstral" else 0.95)
    assert not np.any(np.abs(found.thickness_m - WALLS)[thick & found.answered] > 20e-6)


@pytest.mark.parametrize("name", NAMES)
@settings(deadline=None, max_examples=15)
@given(gain=st.floats(1e-4, 1e4))
def test_gain_changes_nothing(name, gain):
    batch = noisy_trains()
    louder = Batch.of(batch.samples * np.float32(gain), RATE, batch.start_s, batch.setup)
    same(read(name, batch), read(name, louder))


@pytest.mark.parametrize("name", NAMES)
@settings(deadline=None, max_examples=15)
@given(shift=st.integers(-40, 40))
def test_moving_samples_and_clock_together_changes_nothing(name, shift):
    batch = trains(setup(), WALLS, noise=0.0, loss=0.9)
    moved = Batch.of(np.roll(batch.samples, shift, axis=1), RATE, -shift / RATE, batch.setup)
    one, other = read(name, batch), read(name, moved)
    both = one.answered & other.answered  # the record's end cuts off another echo
    assert both.sum() >= one.answered.sum() - 2
    np.testing.assert_allclose(one.thickness_m[both], other.thickness_m[both], atol=1e-6)


@pytest.mark.parametrize("name", NAMES)
def test_turned_over_records_are_read_when_told_so(name):
    batch = noisy_trains()
    turned = Batch.of(-batch.samples, RATE, batch.start_s, batch.setup)
    same(read(name, batch), read(name, turned, polarity="negative"))


@pytest.mark.parametrize("name", NAMES)
def test_without_a_reference_echo_polarity_is_found(name):
    batch = trains(setup(reference_echo=None), WALLS, noise=5e-3, loss=0.9)
    turned = Batch.of(-batch.samples, RATE, batch.start_s, batch.setup)
    same(read(name, batch), read(name, turned))
    assert read(name, batch).answered.sum() > 10


@pytest.mark.parametrize("name", NAMES)
def test_offset_hum_and_clipping_do_little(name):
    batch = noisy_trains()
    hum = 0.05 + 0.02 * np.sin(2 * np.pi * np.arange(M) / 3000)
    marred = Batch.of(np.clip(batch.samples + hum, -0.4, 0.4), RATE, batch.start_s, batch.setup)
    one, other = read(name, batch), read(name, marred)
    both = one.answered & other.answered
    assert both.sum() >= 0.85 * one.answered.sum()
    np.testing.assert_allclose(one.thickness_m[both], other.thickness_m[both], atol=4e-6)


@pytest.mark.parametrize("name", NAMES)
def test_batches_of_any_size_and_order_give_the_same(name):
    batch = noisy_trains()
    whole = read(name, batch)
    order = np.random.default_rng(2).permutation(len(batch))
    shuffled = read(name, batch.take(order))
    np.testing.assert_array_equal(shuffled.thickness_m, whole.thickness_m[order])
    for i in (0, 20, 47):
        np.testing.assert_array_equal(
            read(name, batch.take(slice(i, i + 1))).thickness_m, whole.thickness_m[i]
        )


def hopeless() -> dict[str, np.ndarray]:
    spike = np.zeros(M)
    spike[500] = 1
    square = np.where(np.arange(M) // 10 % 2, 1.0, -1.0)
    return {
        "silence": np.zeros(M), "constant": np.full(M, 0.7), "full scale": np.ones(M),
        "square": square, "spike": spike, "all NaN": np.full(M, np.nan),
        "one NaN": np.where(np.arange(M) == 700, np.nan, 0.1), "infinite": np.full(M, np.inf),
        "tiny": np.full(M, 1e-38), "step": np.where(np.arange(M) < 512, -1.0, 1.0),
    }  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("what", hopeless())
def test_nothing_is_read_in_nothing(name, what):
    found = read(name, Batch.of(hopeless()[what], RATE, 0.0, setup()))
    assert not found.answered.any()
    assert (found.reason != Reason.READ).all()
    if what in ("all NaN", "one NaN", "infinite"):
        assert found.reason[0] == Reason.BAD_SAMPLES


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("m", [1, 2, 3, 17])
def test_records_too_short_are_not_read(name, m):
    assert not read(name, Batch.of(np.ones((3, m)), RATE, 0.0, setup())).answered.any()


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("mode", [2, 3])
def test_pure_noise_is_hardly_ever_read(name, mode):
    noise = 0.1 * np.random.default_rng(11).standard_normal((2000, M))
    assert read(name, Batch.of(noise, RATE, 0.0, setup()), mode=mode).answered.mean() <= 0.01


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("metal", [True, False])
def test_dry_records_are_never_read(name, metal):
    known = setup(metal=metal)
    draw = np.random.default_rng(12)
    dry = 2 * known.reference_echo.samples * draw.uniform(0.3, 1, (1000, 1))
    batch = Batch.of(dry + 5e-3 * draw.standard_normal((1000, M)), RATE, 0.0, known)
    assert not read(name, batch).answered.any()


@pytest.mark.parametrize("name", NAMES)
def test_settings_at_both_ends_of_their_bounds_work(name):
    batch = noisy_trains()
    for field, info in CARD[name].Settings.model_fields.items():
        limits = [getattr(m, k) for m in info.metadata for k in ("ge", "le") if hasattr(m, k)]
        for value in limits:
            found = read(name, batch, **{field: int(value) if info.annotation is int else value})
            assert len(found) == len(batch)
            assert not np.any(found.thickness_m <= 0)
            assert not np.isinf(found.thickness_m).any()


@pytest.mark.parametrize("name", NAMES)
def test_readings_hang_together(name):
    found, batch = read(name, noisy_trains()), noisy_trains()
    yes = found.answered
    assert ((found.confidence[yes] >= 0) & (found.confidence[yes] <= 1)).all()
    assert np.isnan(found.confidence[~yes]).all()
    if name != "cepstral":
        interval = found.second_echo_s - found.first_echo_s
        from_marks = batch.setup.thickness_m(interval, found.spans, mode=3)
        np.testing.assert_allclose(found.thickness_m[yes], from_marks[yes], rtol=1e-9)
        assert (found.first_echo_s[yes] >= found.gate_start_s[yes]).all()
        assert (found.second_echo_s[yes] <= found.gate_end_s[yes]).all()


@pytest.mark.parametrize("name", NAMES)
def test_they_never_see_the_forward_model(name):
    assert "echotrial_corpora" not in inspect.getsource(inspect.getmodule(CARD[name]))


@cache
def exam(kind: str) -> tuple[Batch, object]:
    return make_exam(kind, 300, seed=20261)


@pytest.mark.parametrize(
    ("name", "kind", "from_wavelengths", "hits", "tolerance"),
    [
        ("threshold", "metal", 1.5, 0.95, (0.01, 5e-6)),
        ("correlation", "metal", 1.0, 0.95, (0.01, 5e-6)),
        ("envelope", "metal", 1.5, 0.95, (0.01, 5e-6)),
        ("cepstral", "metal", 1.5, 0.70, (0.01, 5e-6)),
        ("threshold", "nylon-matched", 1.5, 0.95, (0.015, 10e-6)),
        ("correlation", "nylon-matched", 1.5, 0.95, (0.015, 10e-6)),
        ("envelope", "nylon-matched", 1.5, 0.95, (0.015, 10e-6)),
    ],
)
def test_a_scans_made_by_an_independent_method_are_read(
    name, kind, from_wavelengths, hits, tolerance
):
    batch, truth = exam(kind)
    wall = 1e-3 * truth["thickness_mm"].to_numpy()
    low, high = batch.setup.wall_range
    counted = (
        (truth["wall_wavelengths"].to_numpy() > from_wavelengths) & (wall >= low) & (wall <= high)
    )
    found = read(name, batch)
    hit = np.abs(found.thickness_m - wall) <= np.maximum(tolerance[0] * wall, tolerance[1])
    assert hit[counted].mean() >= hits
    far = np.abs(found.thickness_m - wall) > 0.1 * wall
    assert np.mean(far[counted & found.answered]) <= 0.01
    assert not found.answered[truth["kind"] == "dry"].any()


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(("kind", "lies"), [("metal", 0.03), ("nylon-matched", 0.02)])
def test_walls_too_thin_to_tell_are_seldom_read_wrong(name, kind, lies):
    """Far off by a tenth of the wall, over all walls from 0.14 wavelengths on."""
    batch, truth = exam(kind)
    wall = 1e-3 * truth["thickness_mm"].to_numpy()
    off = np.abs(read(name, batch).thickness_m - wall) > np.maximum(0.1 * wall, 20e-6)
    assert off[~np.isnan(wall)].mean() <= lies


@cache
def recorded() -> Batch:
    sheet = read_toml(RECORDED / "sheet.toml")
    known: Setup = read_setup(sheet["setup"], "sheet.toml")
    return Batch.of(np.load(RECORDED / "traces.npy"), 25e6, 0.0, known)


@pytest.mark.skipif(not RECORDED.exists(), reason="../shared/recorded is not on this machine")
def test_two_detectors_read_the_recorded_block_without_a_lock_on_notch_or_ringing():
    """64 traces on an aluminium block 40 mm high: spacing of back-wall echoes near 12.46 us."""
    good = []
    for name in NAMES:
        wall = read(name, recorded()).thickness_m
        near = np.abs(wall - 40e-3) <= 0.03 * 40e-3
        if near.mean() >= 0.95 and not np.any(~near & ~np.isnan(wall)):
            good.append(name)
    assert len(good) >= 2, good


@pytest.mark.skipif(not RECORDED.exists(), reason="../shared/recorded is not on this machine")
def test_the_envelope_reads_every_trace_of_the_recorded_block_on_the_same_cycle():
    """Half a cycle is 0.8 % of this wall, and the block has one height."""
    wall = read("envelope", recorded()).thickness_m
    assert np.abs(wall / np.median(wall) - 1).max() < 0.003
    for name in ("threshold", "correlation"):
        other = read(name, recorded()).thickness_m
        assert np.nanmax(np.abs(other / np.median(wall) - 1)) < 0.003


def test_a_weak_interface_echo_is_not_told_from_the_flank_of_the_wall_s_echo():
    """Nearly matched impedances: about a wavelength and below there is no first mark to trust."""
    known = setup(metal=False, mode=2)
    walls = np.linspace(0.1e-3, 1.2e-3, 200)
    for name in ("threshold", "correlation", "envelope"):
        found = read(name, trains(known, walls, noise=2e-3))
        off = np.abs(found.thickness_m - walls) > np.maximum(0.1 * walls, 20e-6)
        assert not np.any(off[found.answered])
        assert found.answered[walls > 1.5 * known.wavelength_m].mean() > 0.95
