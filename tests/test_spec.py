"""Specs: one meaning, one canonical text; impossible ones are refused with the reason."""

import subprocess
import sys
import tomllib
import warnings

import numpy as np
import pytest
from echotrial import host
from echotrial.errors import NotToBeHad, WrongQuestion
from echotrial.setup import Medium, Setup
from echotrial_corpora.model import LayerModel
from echotrial_corpora.spec import CorpusSpec, from_canonical, read_spec
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import hilbert

from tests.make_spec import plain

MODEL = LayerModel()
SPEC = """
name = "a-tube"
about = "A test."
[probe]
centre_frequency = "20 MHz"
bandwidth = "12 MHz"
element_diameter = "3 mm"
[delay_line]
material = "polystyrene"
length = "10 mm"
[couplant]
material = "glycerin"
gap = { from = "1 um", to = "12 um", distribution = "log-uniform" }
[wall]
material = "stainless 316"
thickness = { from = "0.2 mm", to = "1.2 mm" }
[receiver]
band = ["4 MHz", "40 MHz"]
snr = "40 dB"
"""


def parsed(text):
    return CorpusSpec.read(tomllib.loads(text), "a.toml")


def test_order_and_units_leave_the_canonical_text():
    head, *tables = SPEC.split("\n[")
    turned = head + "".join("\n[" + table for table in reversed(tables))
    other = (
        turned.replace('"12 MHz"', '"12000 kHz"')
        .replace('"1 um"', '"0.001 mm"')
        .replace('"3 mm"', '"0.003 m"')
    )
    assert parsed(other).canonical() == parsed(SPEC).canonical()
    assert parsed(other).key == parsed(SPEC).key


@pytest.mark.parametrize("change", [('"40 dB"', '"41 dB"'), ("316", "347"), ('"12 um"', '"13 um"')])
def test_another_meaning_is_another_text(change):
    assert parsed(SPEC.replace(*change)).canonical() != parsed(SPEC).canonical()
    assert parsed(SPEC.replace(*change)).key != parsed(SPEC).key


def test_words_and_sizes_make_no_other_records():
    assert parsed(SPEC.replace("A test.", "Other words.")).key == parsed(SPEC).key


@pytest.mark.parametrize(
    "entry", host.load(allow=["corpora"]).corpora.values(), ids=lambda e: e.name
)
def test_shipped_spec_survives_its_canonical_text(entry):
    if entry.kind != "spec":
        pytest.skip("a recorded set, not a spec")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            spec = read_spec(entry.path)
        except NotToBeHad as error:
            pytest.skip(f"{error}; see test_half_real.py")
    assert spec.name == entry.name
    assert len(spec.about.split()) >= 25
    again = from_canonical(spec.canonical())
    assert again == spec
    assert again.canonical() == spec.canonical()
    assert again.setup.digest() == spec.setup.digest()


IMPOSSIBLE = [
    ('"1 um", to = "12 um", distribution = "log-uniform"', '"-1 um", to = "1 um"', "negative"),
    ('from = "1 um", to', 'from = "0 um", to', "above 0"),
    ('to = "1.2 mm"', 'to = "40 mm"', "longer than the window"),
    ('[probe]', 'rate = "40 MHz"\n[probe]', "below twice the band"),
    ('"12 MHz"', '"41 MHz"', "no such probe"),
    ('"stainless 316"', '"stainles 316"', "did you mean 'stainless 316'"),
    ('"40 dB"', '"40"', "has no unit"),
    ('"40 dB"', '"40 mm"', "is a length, not a level"),
    ('"40 dB"', '"nan dB"', "not"),
    ('element_diameter', 'element_diametre', "did you mean 'element_diameter'"),
    ('["4 MHz", "40 MHz"]', '["40 MHz", "4 MHz"]', "lower limit first"),
    ('from = "0.2 mm", to = "1.2 mm"', 'from = "1.2 mm", to = "0.2 mm"', "the smaller first"),
    ('from = "0.2 mm"', 'from = "0 mm"', "not positive"),
    ('[receiver]', 'outside_diameter = "2 mm"\n[receiver]', "thicker than the radius"),
    ('[receiver]', 'outside_diameter = "5 mm"\n[receiver]', "more strips, a contoured tip"),
    ('[receiver]', 'taper = "10 deg"\n[receiver]', "would vanish"),
    ('[receiver]', 'attenuation_exponent = 3.2\n[receiver]', "causality"),
    ('[delay_line]', '[face]\nmaterial = "alumina"\n[delay_line]', "not both"),
    ('"a-tube"', '"a-tube"\nshares = { dry = "60 %", wet_tip = "50 %" }', "more than all"),
    ('"12 MHz"', '"12 MHz"\ndecay = "60 ns"', "narrower than the bandwidth"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "reason"), IMPOSSIBLE, ids=[i[2] for i in IMPOSSIBLE])
def test_impossible_spec_is_refused_with_the_reason(old, new, reason):
    assert old in SPEC
    with pytest.raises(WrongQuestion, match=reason) as refused:
        parsed(SPEC.replace(old, new))
    assert refused.value.exit_code == 2
    assert str(refused.value).startswith("a.toml: ")


def test_missing_and_broken_files_are_named(tmp_path):
    with pytest.raises(WrongQuestion, match="no such file"):
        MODEL.read_spec(tmp_path / "none.toml")
    (tmp_path / "bad.toml").write_text("name = ")
    with pytest.raises(WrongQuestion, match="not valid TOML"):
        MODEL.read_spec(tmp_path / "bad.toml")


def test_window_too_short_for_the_wanted_multiples_warns_and_counts():
    wall = {"thickness": {"from": 10e-3, "to": 20e-3}}
    with pytest.warns(UserWarning, match="room for 1 back-wall echoes"):
        spec = plain(wall=wall)
    made = MODEL.records(spec, "prove", 0, 0, 32).truth
    assert (made.back_walls_in_window == made.back_wall_us.map(len)).all()
    assert set(made.back_walls_in_window) == {1, 2}


def test_the_command_warns_in_one_line(tmp_path):
    """As a user sees it: the sentence, and nothing of the program's own lines."""
    (tmp_path / "a.toml").write_text(SPEC.replace('"1.2 mm"', '"20 mm"'))
    call = "from echotrial.cli import main; main()"
    words = ["corpus", "build", "a.toml", "--records", "8", "--out", "made"]
    done = subprocess.run(
        [sys.executable, "-c", call, *words], cwd=tmp_path, capture_output=True, text=True
    )
    assert done.returncode == 0
    said = (
        "a-tube: the window has room for 1 back-wall echoes of the thickest wall, and 2 are wanted"
    )
    assert done.stderr.splitlines()[0] == f"echotrial: warning: {said}"
    assert "UserWarning" not in done.stderr


@given(
    low=st.floats(1e-6, 1e-3),
    ratio=st.floats(1.0, 50.0),
    kind=st.sampled_from(["uniform", "log-uniform", "normal"]),
)
@settings(max_examples=60, deadline=None)
def test_draws_stay_in_range_and_rise_with_their_quantile(low, ratio, kind):
    from echotrial_corpora.varied import Varied

    quantity = Varied.model_validate({"from": low, "to": low * ratio, "distribution": kind})
    drawn = quantity.at(np.linspace(0, 1 - 1e-12, 101))
    assert drawn.min() >= low * (1 - 1e-12)
    assert drawn.max() <= low * ratio * (1 + 1e-12)
    assert (np.diff(drawn) >= 0).all()


def test_steps_are_taken_equally_often():
    spec = plain(wall={"thickness": {"values": [0.5e-3, 1e-3, 2e-3]}})
    walls = MODEL.records(spec, "prove", 0, 0, 384).truth.thickness_mm
    assert sorted(set(walls.round(9))) == [0.5, 1.0, 2.0]
    assert walls.round(9).value_counts().min() > 90


def test_spec_around_a_setup_keeps_it_whole():
    setup = read_spec(host.load(allow=["corpora"]).corpora["nylon-tube-mismatched"].path).setup
    spec = MODEL.spec_for(setup, {"couplant": {"gap": {"from": "1 um", "to": "30 um"}}})
    assert spec.setup.digest() == setup.digest()
    assert MODEL.spec_of(spec.canonical()).setup.digest() == setup.digest()
    assert spec.couplant.gap.high == pytest.approx(30e-6)
    made = MODEL.records(spec, "tune", 3, 0, 64).truth
    dry = made[made.kind == "dry"].interface_us
    assert dry.to_numpy() == pytest.approx([setup.interface_echo * 1e6] * len(dry), abs=1e-3)
    assert spec.origin == "semi-synthetic"  # it carries the set-up's reference echo


def test_impossible_variation_is_refused():
    setup = Setup(centre_frequency=10e6, velocity=5900.0, wall_range=(0.5e-3, 3e-3), mode=1)
    with pytest.raises(WrongQuestion, match="negative"):
        MODEL.spec_for(setup, {"couplant": {"gap": "-1 um"}})


def test_expected_echoes_of_a_setup():
    """Steel on polystyrene without couplant to speak of: echo train of B. (derived: e_n)."""
    setup = Setup(
        centre_frequency=15e6,
        velocity=5900.0,
        wall_range=(1e-3, 3e-3),
        interface_echo=8e-6,
        delay_line=Medium(impedance=1050 * 2350.0, velocity=2350.0),
        couplant=Medium(material="glycerin"),
        wall=Medium(impedance=7850 * 5900.0),
        element_diameter=20e-3,
    )
    found = MODEL.echoes(setup, 2e-3)
    assert found.amplitude[:4] == pytest.approx([-0.8988, 0.1921, 0.1727, 0.1552], abs=0.02)
    assert found.time_s[0] == pytest.approx(8e-6, abs=12e-9)  # late by the couplant's 5 ns
    assert np.diff(found.time_s[:4]) == pytest.approx([2 * 2e-3 / 5900] * 3, abs=1e-9)
    assert found.time_s[0] < found.tail_end_s < found.time_s[1]


def test_half_real_corpus_from_recorded_echo_and_noise(tmp_path):
    """A planted recording (invented data): its pulse and its noise come back in the records."""
    rate = 125e6
    t = np.arange(400) / rate
    echo = np.exp(-((t - 1e-6) ** 2) / 2 / (60e-9) ** 2) * np.cos(
        2 * np.pi * 11e6 * (t - 1e-6) + 0.4
    )
    np.save(tmp_path / "echo.npy", echo)
    hiss = np.random.default_rng(5).standard_normal(20000)
    np.save(tmp_path / "noise.npy", np.convolve(hiss, [1, 2, 1], "same"))
    text = SPEC.replace('"20 MHz"', '"11 MHz"').replace('"12 MHz"', '"6 MHz"')
    text = text.replace(
        "[delay_line]", 'echo = { file = "echo.npy", rate = "125 MHz" }\n[delay_line]'
    )
    text += 'noise = { file = "noise.npy", rate = "100 MHz" }\n'
    (tmp_path / "half.toml").write_text(text)
    spec = read_spec(tmp_path / "half.toml")
    assert spec.origin == "semi-synthetic"
    assert from_canonical(spec.canonical()) == spec
    reference = spec.setup.reference_echo
    at = reference.time_s - spec.setup.interface_echo
    expected = np.exp(-(at**2) / 2 / (60e-9) ** 2) * np.cos(2 * np.pi * 11e6 * at + 0.4)
    near = np.abs(at) < 0.15e-6
    ours, theirs = hilbert(reference.samples.astype(float))[near], hilbert(expected)[near]
    # the receiver's band-pass turns its phase and bends it a little
    likeness = abs(np.vdot(theirs, ours)) / np.linalg.norm(ours) / np.linalg.norm(theirs)
    assert likeness > 0.99
    made = MODEL.records(spec, "prove", 0, 0, 64)
    early = made.samples[:, :30].ravel().astype(float)
    assert np.corrcoef(early[:-1], early[1:])[0, 1] == pytest.approx(2 / 3, abs=0.1)


def test_recordings_that_are_none_are_refused(tmp_path):
    for name, data in (
        ("nan", np.full(100, np.nan)),
        ("flat", np.zeros(100)),
        ("two", np.ones((2, 50))),
    ):
        np.save(tmp_path / f"{name}.npy", data)
        text = SPEC.replace(
            "[delay_line]", f'echo = {{ file = "{name}.npy", rate = "100 MHz" }}\n[delay_line]'
        )
        (tmp_path / "half.toml").write_text(text)
        with pytest.raises(WrongQuestion, match="one row"):
            read_spec(tmp_path / "half.toml")
