"""The generator: against a slow twin, byte for byte over chunks, and by the trade's rules.

Common practice, no source: metals give many multiples; a near-matched polymer gives a weak
interface echo and a stronger back-wall echo. Polarity by the sign of reflection (derived).
"""

import os
import subprocess
import sys
import tracemalloc
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from echotrial import host
from echotrial.corpus import build as build_module
from echotrial.errors import NotToBeHad
from echotrial_corpora import DEFAULTS
from echotrial_corpora.draw import draw, nominal
from echotrial_corpora.records import TILE, records
from echotrial_corpora.spec import read_spec
from echotrial_corpora.synthesis import respond
from echotrial_corpora.truth import echoes_of
from scipy.signal import find_peaks, hilbert

from tests import slow_forward
from tests.make_spec import plain

CORPORA = {n: e for n, e in host.load(allow=["corpora"]).corpora.items() if e.kind == "spec"}


def spec_of(name):
    return read_spec(CORPORA[name].path)


def decibels(ratio):
    return 20 * np.log10(np.maximum(ratio, 1e-12))


def top_of(envelope, finer, rate):
    k = int(np.argmax(envelope))
    a, b, c = np.log(envelope[k - 1 : k + 2])
    return (k + 0.5 * (a - c) / (a - 2 * b + c)) / (finer * rate)


@pytest.mark.slow
@pytest.mark.parametrize("name", [*DEFAULTS, "couplant-stress", "rough-tapered-wall"])
def test_records_and_truth_times_against_the_slow_twin(name):
    """Whole record within 0.6 % of its peak, times within 0.05 ns of a 16 times finer grid.

    The worst are wide, uneven water gaps.
    """
    spec = spec_of(name)
    params = draw(spec, ("twin",), 10)
    response = respond(spec, params)
    found = echoes_of(response, np.zeros(10))
    for i, p in enumerate(params):
        _, n, whole, tail, orders = slow_forward.spectra(spec, p, orders=60)
        record = slow_forward.in_time(whole, n)[: spec.samples]
        error = np.abs(record - response.clean[i]).max() / np.abs(record).max()
        assert decibels(error) < -44.4
        late = found.interface_s[i] - p["start"]
        envelope = slow_forward.envelope(tail, n, 16)[: 16 * 500]
        assert late == pytest.approx(top_of(envelope, 16, spec.rate), abs=0.05e-9)
        for k in range(4 if p["kind"] == 0 else 0):
            if found.height[i, k] < 2e-3 or np.isnan(found.time_s[i, k]):
                continue  # too faint to be given its own diffraction
            envelope = slow_forward.envelope(orders[k], n, 16)[: 16 * 1100]
            expected = top_of(envelope, 16, spec.rate)
            assert found.time_s[i, k] - p["start"] == pytest.approx(expected, abs=0.05e-9)
            assert found.height[i, k] == pytest.approx(envelope.max(), rel=0.01)


@pytest.mark.slow
def test_without_diffraction_the_twin_is_the_same_to_80_db():
    """So that what is left above comes from folding diffraction into the recursion."""
    spec = spec_of("stainless-tube-20mhz")
    flat = spec.model_copy(update={"probe": spec.probe.model_copy(update={"diffraction": False})})
    flat.__dict__.pop("key", None)
    params = draw(flat, ("twin",), 6)
    response = respond(flat, params)
    for i, p in enumerate(params):
        _, n, whole, *_ = slow_forward.spectra(flat, p, orders=120)
        record = slow_forward.in_time(whole, n)[: flat.samples]
        assert decibels(np.abs(record - response.clean[i]).max() / np.abs(record).max()) < -80


def test_folded_diffraction_equals_the_explicit_sum():
    """Thick flat steel, where D changes most: four echoes to -70 dB of the peak, all to -60."""
    spec = plain(
        probe={"diffraction": True, "element_diameter": 3e-3},
        wall={"thickness": {"from": 1e-3, "to": 2e-3}},
    )
    params = draw(spec, ("fold",), 4)
    response = respond(spec, params)
    for i, p in enumerate(params):
        _, n, whole, _, _ = slow_forward.spectra(spec, p, orders=60)
        record = slow_forward.in_time(whole, n)[: spec.samples]
        error = np.abs(record - response.clean[i]) / np.abs(record).max()
        until = int((p["late"] - p["start"] + 4.5 * 2 * p["thickness"] / p["velocity"]) * spec.rate)
        assert decibels(error[:until].max()) < -70
        assert decibels(error.max()) < -60


@pytest.mark.parametrize(("mhz", "wall_mm"), [(5, 1.02), (10, 0.51), (15, 0.34), (20, 0.26)])
def test_tail_20_db_below_the_first_back_wall_echo(mhz, wall_mm):
    """Steel on polystyrene, 60 % Gaussian: derived outside this project, to 0.01 mm."""
    spec = plain(
        rate=400e6,
        probe={"centre_frequency": mhz * 1e6, "bandwidth": 0.6 * mhz * 1e6},
        lead=1.5e-6,
        samples=2048,
    )

    def tail_to_echo(wall):
        response = respond(spec, nominal(spec, np.array([wall])))
        found = echoes_of(response, np.zeros(1))
        return decibels(found.tail_at[0, 0] / found.height[0, 0])

    assert tail_to_echo((wall_mm - 0.01) * 1e-3) > -20 > tail_to_echo((wall_mm + 0.01) * 1e-3)


def test_repeat_of_the_delay_line_comes_one_trip_later():
    """6 mm of polystyrene: 5.1 us, as late as 15 mm of steel (derived)."""
    wall, line = {"thickness": {"from": 14e-3, "to": 15.5e-3}}, {"length": 6e-3}
    repeat = {"repeat": {"from": "-12 dB", "to": "-12 dB"}}
    spec = plain(delay_line=line | repeat, wall=wall, multiples=1)
    response = respond(spec, nominal(spec, np.array([15.064e-3])))  # 5.106 us
    alone = respond(plain(delay_line=line, wall=wall, multiples=1), response.params)
    late = hilbert(response.clean[0] - alone.clean[0])
    first = np.abs(hilbert(alone.clean[0])).argmax()
    assert (np.abs(late).argmax() - first) / spec.rate == pytest.approx(5.106e-6, abs=10e-9)


@pytest.mark.parametrize("name", ["stainless-tube-20mhz", "distractors", "contact-plate-mode-1"])
def test_same_bytes_whatever_the_chunks(name):
    spec = spec_of(name)
    whole = records(spec, "prove", 7, 0, 150)
    bounds = [0, 1, 37, TILE, TILE + 1, 150]
    parts = [records(spec, "prove", 7, a, b) for a, b in pairwise(bounds)]
    assert np.concatenate([p.samples for p in parts]).tobytes() == whole.samples.tobytes()
    truth = pd.concat([p.truth for p in parts], ignore_index=True)
    for column in whole.truth:
        assert all(
            np.array_equal(a, b, equal_nan=isinstance(a, float))
            for a, b in zip(truth[column], whole.truth[column], strict=True)
        ), column


@pytest.mark.slow
def test_the_process_that_compiles_makes_the_bytes_of_those_after_it(tmp_path):
    """To the last digit of the truth: a kernel from the cache is the kernel that was compiled."""
    code = (
        "import hashlib; from tests.test_generate import records, spec_of\n"
        "made = records(spec_of('distractors'), 'prove', 0, 0, 128)\n"
        "truth = made.truth.to_json(double_precision=15).encode()\n"
        "print(hashlib.sha256(made.samples.tobytes() + truth).hexdigest())"
    )
    words = [sys.executable, "-c", code]
    surroundings = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)}
    first, second = (
        subprocess.run(words, env=surroundings, capture_output=True, text=True, check=True).stdout
        for _ in range(2)
    )
    assert len(first) > 60
    assert first == second


def test_another_screen_height_shows_the_same_walls_at_another_gain():
    """Half the height is half of every sample, to the steps of the digitiser."""
    first, second = (
        records(plain(receiver={"screen_height": h}), "tune", 3, 0, 40) for h in (0.4, 0.8)
    )
    assert first.truth.thickness_mm.tolist() == second.truth.thickness_mm.tolist()
    assert np.abs(second.samples).max() > 20_000
    assert np.abs(2.0 * first.samples - second.samples).max() <= 2


def test_splits_seeds_and_specs_share_no_record():
    spec = spec_of("stainless-tube-20mhz")
    other = spec.model_copy(update={"lead": 0.7e-6})
    for digest in ("key", "draw_key"):
        other.__dict__.pop(digest, None)
    walls = [
        set(records(s, split, seed, 0, 64).truth.thickness_mm.dropna())
        for s, split, seed in (
            (spec, "prove", 0),
            (spec, "tune", 0),
            (spec, "prove", 1),
            (other, "prove", 0),
        )
    ]
    assert len(set.union(*walls)) == sum(map(len, walls))


def test_shares_of_dry_wet_and_outside():
    spec = spec_of("stainless-tube-20mhz")
    truth = records(spec, "prove", 0, 0, 2048).truth
    kinds = truth.kind.value_counts() / len(truth)
    assert kinds["dry"] == pytest.approx(0.08, abs=0.02)
    assert kinds["wet tip"] == pytest.approx(0.04, abs=0.015)
    low, high = spec.setup.wall_range
    walls = truth[truth.kind == "wall"]
    out = (walls.thickness_mm < low * 1e3) | (walls.thickness_mm > high * 1e3)
    assert (out == walls.outside_range).all()
    assert out.mean() == pytest.approx(0.05, abs=0.015)
    assert (walls.thickness_mm[out] < low * 1e3).mean() > 0.6
    assert truth[truth.kind != "wall"].thickness_mm.isna().all()
    assert truth[truth.kind != "wall"].back_wall_us.map(len).eq(0).all()


def test_dry_record_is_the_reference_echo():
    """Bare tip against air: what the generator makes is what plain numpy makes for the set-up."""
    spec = plain(shares={"dry": 1.0, "wet_tip": 0.0}, receiver={"screen_height": 0.8})
    made = records(spec, "prove", 0, 0, 4)
    reference = spec.setup.reference_echo
    assert made.known.start_us[0] == pytest.approx(reference.start_s * 1e6)
    ours = made.samples[0] / 32767
    scale = np.abs(ours).max() / np.abs(reference.samples).max()
    assert np.abs(ours - scale * reference.samples).max() < 2e-3
    assert made.truth.interface_us[0] == pytest.approx(spec.setup.interface_echo * 1e6, abs=5e-5)


def test_dried_film_leaves_little_of_the_echo_and_no_gain_brings_it_back():
    """40 dB lost of 50 dB over the noise: 10 dB; at a fixed gain the echo is 40 dB lower (derived).

    With the gain of each record noise and echo together fill the screen, and seldom clip.
    """

    def made(gain, film):
        spec = plain(
            shares={"dry": 1.0, "wet_tip": 0.0},
            receiver={"snr": "50 dB", "gain": gain, "screen_height": 0.8},
            delay_line={"dry_film": {"share": film, "level": "-40 dB"}},
        )
        return records(spec, "prove", 0, 0, 64)

    fixed, whole = made("fixed", 1.0), made("fixed", 0.0)
    assert (fixed.truth.kind == "dry").all()
    assert fixed.truth.snr_db.to_numpy() == pytest.approx(np.full(64, 10.0), abs=1e-9)
    assert whole.truth.snr_db.to_numpy() == pytest.approx(np.full(64, 50.0), abs=1e-9)
    mean = [found.samples.mean(axis=0) for found in (fixed, whole)]  # of 64: the noise is gone
    assert decibels(np.abs(mean[0]).max() / np.abs(mean[1]).max()) == pytest.approx(-40, abs=0.5)
    shown = np.abs(made("per record", 1.0).samples).max(axis=1) / 32767
    assert 0.5 < np.median(shown) < 1.0
    assert (shown > 0.999).mean() < 0.1
    share = made("per record", 0.25).truth.left_by_dry_film
    assert set(share.round(6)) == {0.01, 1.0}


def test_wet_tip_rings_like_a_thin_wall():
    """A film of 200 um of glycerin resonates every c / 2 h = 4.8 MHz (derived)."""
    spec = plain(
        shares={"dry": 0.0, "wet_tip": 1.0},
        couplant={"film": 200e-6},
        delay_line={"density": 2200.0, "velocity": 5900.0, "length": 20e-3},
    )
    response = respond(spec, draw(spec, ("wet",), 1))
    spectrum, f = np.fft.rfft(response.clean[0]), np.fft.rfftfreq(1024, 1 / spec.rate)
    band = (f > 7e6) & (f < 24e6)
    delay = -np.diff(np.unwrap(np.angle(spectrum[band])))
    resonances = f[band][find_peaks(delay, prominence=0.1)[0]]
    assert np.diff(resonances) == pytest.approx([1920 / (2 * 200e-6)] * 2, rel=0.05)


def polarity(name, thickness):
    """Signs of interface and first back-wall echo, by correlation with the reference echo."""
    spec = spec_of(name)
    response = respond(spec, nominal(spec, np.array([thickness])))
    found = echoes_of(response, np.zeros(1))
    reference = hilbert(spec.setup.reference_echo.samples.astype(float))
    record = hilbert(response.clean[0])
    start = response.params["start"][0]

    def sign(t, of):
        at = of[round((t - start) * spec.rate)]
        return np.sign((at / reference[np.abs(reference).argmax()]).real)

    return sign(found.interface_s[0], record), sign(found.time_s[0, 0], record), found


def test_metal_on_plastic_interface_minus_back_wall_plus_and_many_multiples():
    interface, back_wall, found = polarity("stainless-tube-20mhz", 1e-3)
    assert (interface, back_wall) == (-1, 1)
    assert found.height[0, 0] < found.interface_height[0] / 3
    assert found.height[0, 5] > 0.3 * found.height[0, 0]
    assert spec_of("stainless-tube-20mhz").setup.interface_polarity == -1


def test_near_matched_polymer_weak_interface_strong_first_echo_hardly_a_multiple():
    interface, back_wall, found = polarity("nylon-tube-near-matched", 0.8e-3)
    assert (interface, back_wall) == (-1, 1)
    assert found.interface_height[0] < found.height[0, 0] / 4
    assert found.height[0, 1] < found.height[0, 0] / 8


def test_polymer_on_silica_interface_is_of_the_other_sign():
    interface, back_wall, found = polarity("nylon-tube-mismatched", 0.8e-3)
    assert (interface, back_wall) == (1, 1)
    assert spec_of("nylon-tube-mismatched").setup.interface_polarity == 1
    # r = (2.91 - 13.13) / 16.04 = -0.637, from the table's impedances
    assert found.interface_height[0] == pytest.approx(0.637, abs=0.06)


def test_back_wall_stands_where_it_is_above_tail_and_noise():
    truth = records(spec_of("tail-stress"), "prove", 0, 0, 256).truth
    walls = truth[truth.kind == "wall"]
    first = walls.back_wall_stands.map(lambda s: bool(s[0]))
    expected = (walls.tail_to_echo_db < 0) & (walls.echo_snr_db > 20 * np.log10(3))
    assert (first == expected).all()
    assert 0.1 < first.mean() < 0.9


def test_tail_is_the_record_on_an_infinitely_thick_wall():
    """The same parameters with a wall so thick that its echo comes after the window."""
    spec = spec_of("stainless-tube-20mhz")
    params = nominal(spec, np.array([0.5e-3]))
    tail = respond(spec, params).tail[0]
    params["thickness"] = 60e-3
    alone = np.abs(hilbert(respond(spec, params).clean[0]))
    at = np.arange(20, 400)
    assert tail[at] == pytest.approx(alone[2 * at], abs=4e-3)


def test_echo_times_follow_the_velocity_they_were_made_with():
    spec = spec_of("velocity-mismatch")
    made = records(spec, "prove", 0, 0, 64).truth
    walls = made[(made.kind == "wall") & (made.thickness_mm > 0.8)]
    spacing = walls.back_wall_us.map(lambda t: t[1] - t[0])
    own = spacing * walls.velocity_true_m_s / 2e3
    assert own.to_numpy() == pytest.approx(walls.thickness_mm.to_numpy(), rel=2e-3)
    told = spec.setup.thickness_m(spacing.to_numpy() * 1e-6) * 1e3
    assert (told / walls.thickness_mm).mean() == pytest.approx(1.015, abs=2e-3)


def test_temperature_moves_every_arrival():
    change = {"from": -10.0, "to": 10.0}
    line = {"temperature_change": change, "velocity_per_kelvin": -2.5}
    truth = records(plain(delay_line=line), "prove", 0, 0, 64).truth
    slope = np.polyfit(truth.temperature_change_k, truth.interface_us, 1)[0]
    # 2 L / c^2 x 2.5 m/s per kelvin (derived)
    assert slope == pytest.approx(2 * 10e-3 / 2350**2 * 2.5 * 1e6, rel=0.02)


def test_delay_line_repeats_itself():
    """Second trip: r_probe x loss x r^2 on the mirror -1, twice the way (derived)."""
    line = {"length": 5e-3, "repeat": "-10 dB"}
    spec = plain(delay_line=line, wall={"thickness": 2.9e-3})
    response = respond(spec, nominal(spec, np.array([30e-3])))
    envelope = np.abs(hilbert(response.clean[0]))
    first = round((response.params["late"][0] - response.params["start"][0]) * spec.rate)
    second = round(2 * 5e-3 / 2350 * spec.rate) + first
    ratio = envelope[second - 5 : second + 6].max() / envelope[first - 5 : first + 6].max()
    assert ratio == pytest.approx(10 ** (-10 / 20) * 0.8988, rel=0.02)


def test_importing_the_package_is_cheap():
    code = (
        "import sys; import echotrial_corpora; echotrial_corpora.corpora(); "
        "echotrial_corpora.forward_model(); "
        "print([m for m in ('numba', 'scipy.signal', 'pydantic_core.x') if m in sys.modules])"
    )
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "[]"


def test_three_defaults_come_first():
    entries = list(CORPORA.values())
    assert tuple(e.name for e in entries[:3]) == DEFAULTS
    assert [e.default for e in entries[:4]] == [True, True, True, False]


@pytest.mark.parametrize("name", CORPORA)
def test_every_family_makes_sound_records(name):
    try:
        spec = spec_of(name)
    except NotToBeHad as error:
        pytest.skip(f"{error}; see test_half_real.py")
    made = records(spec, "prove", 0, 0, 64)
    assert made.samples.shape == (64, spec.samples)
    assert made.samples.dtype == np.int16
    assert np.abs(made.samples.astype(int)).max(axis=1).min() > 300
    walls = made.truth[made.truth.kind == "wall"]
    assert walls.back_wall_us.map(len).gt(0).all()
    assert walls[["echo_snr_db", "tail_end_us", "wall_wavelengths"]].notna().all().all()
    assert walls.back_wall_us.map(lambda t: (np.diff(t) > 0).all()).all()


@pytest.mark.slow
def test_two_workers_make_the_same_bytes_as_one(tmp_path, monkeypatch):
    """The model itself, not a stand-in, in processes of their own."""
    monkeypatch.setattr(build_module, "CHUNKS_A_WORKER", 1)
    loaded, spec = host.load(allow=["corpora"]), spec_of("distractors")
    size = {"prove": 2 * build_module.CHUNK + 60}
    one, two = (
        build_module.build(loaded, spec, size=size, out=tmp_path / str(n), workers=n)
        for n in (1, 2)
    )
    for file in ("waveforms.npy", "known.parquet", "truth.parquet"):
        assert (one.folder / file).read_bytes() == (two.folder / file).read_bytes(), file


def test_memory_does_not_hold_the_records(tmp_path):
    """Traced peak of a build of eight times as many: the truth grows, waveforms do not stay."""
    loaded, spec = host.load(allow=["corpora"]), spec_of("stainless-tube-20mhz")

    def peak(count):
        tracemalloc.start()
        build_module.build(loaded, spec, size={"prove": count}, out=tmp_path / str(count))
        found = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return found

    few, many = (n * build_module.CHUNK for n in (1, 8))
    peak(64)  # tables are made
    assert (peak(many) - peak(few)) / (many - few) < 1000  # bytes; a record of samples has 2048
