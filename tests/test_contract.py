"""The contract: a sound detector keeps it, and each clause catches the detector that breaks it."""

import json
import os
import re
import warnings
import xml.etree.ElementTree as ElementTree
from collections import Counter
from dataclasses import replace
from pathlib import Path

import echotrial
import numpy as np
import pytest
import scipy.signal
from echotrial import host
from echotrial.ascan import Batch, Readings, Reason
from echotrial.cli import main
from echotrial.errors import NotApplicable
from echotrial.testing import CHECKS, SCENES, Record, batch_of, examine, search, sturdy
from echotrial.testing.picture import sketch
from echotrial.testing.signals import arrivals, noise_batch, pulse, trace
from echotrial.testing.subject import Subject
from hypothesis import given, settings
from hypothesis import strategies as st

HERE = Path(__file__).parent
TEMPLATE = Path(echotrial.__file__).parent / "template" / "my_idea.py"
Sound = host.load_file(TEMPLATE).MyIdea
BAD = [d.factory for d in host.load([HERE / "bad_detectors.py"]).detectors.values()
       if hasattr(d.factory, "breaks")]  # fmt: skip
BY_NAME = {check.name: check for check in CHECKS}
METAL = SCENES[0]


def always(batch: Batch) -> np.ndarray:
    return np.full(len(batch), 1e-3)


# -- every clause can fail, and none fails for nothing --------------------------------------------


def test_what_a_detector_does_not_declare_it_is_not_held_to():
    class Modest(Sound):
        invariances = frozenset()

    declared = [check for check in CHECKS if check.invariance]
    assert [check.invariance for check in declared] == ["gain", "shift", "polarity"]
    assert {check(Modest).verdict for check in declared} == {"not declared"}


def test_each_clause_has_a_detector_that_breaks_it():
    assert len(BAD) >= 38
    assert {bad.breaks for bad in BAD} == set(BY_NAME)


@pytest.mark.parametrize("bad", BAD, ids=lambda bad: bad.name.replace(" ", "-"))
def test_the_clause_named_catches_the_bad_detector(bad):
    result = BY_NAME[bad.breaks](bad)
    assert result.verdict == "fail"
    assert bad.says in result.message
    with pytest.raises(AssertionError, match=bad.breaks):
        result.require()


def test_a_bad_detector_leaves_the_process_as_it_was():
    before = np.geterr(), os.getcwd(), dict(os.environ), list(warnings.filters)
    for bad in BAD:
        if bad.breaks == "leaves-the-process-alone":
            BY_NAME[bad.breaks](bad)
    assert before == (np.geterr(), os.getcwd(), dict(os.environ), list(warnings.filters))


def test_a_plain_function_need_not_give_reasons_but_has_to_be_silent_on_noise():
    assert BY_NAME["gives-well-formed-readings"](always)
    assert BY_NAME["silent-on-noise"](always).verdict == "fail"


def test_a_detector_for_no_set_up_at_all_is_not_vouched_for():
    class Nowhere(Sound):
        def prepare(self, setup, settings, *, maps=None):
            raise NotApplicable("never")

    assert "NotApplicable for every set-up" in BY_NAME["silent-on-noise"](Nowhere).message


def test_a_crash_in_prepare_is_a_broken_contract_and_no_traceback():
    class Clumsy(Sound):
        def prepare(self, setup, settings, *, maps=None):
            raise KeyError("probe")

    failed = [result for result in examine(Clumsy) if not result]
    assert len(failed) == len(CHECKS) - 1  # it still says what it is
    assert all("prepare raised KeyError: 'probe'" in result.message for result in failed)


def test_the_failing_case_is_the_smallest_there_is():
    class OverSixty(Sound):
        """Wrong on every record higher than 0.6: one such record beside another is the least."""

        def prepare(self, setup, settings, *, maps=None):
            sound = super().prepare(setup, settings)

            def detect(batch):
                readings = sound(batch)
                if len(batch) > 1:
                    readings.thickness_m[np.abs(batch.samples).max(axis=1) > 0.6] *= 1.01
                return readings

            return detect

    result = BY_NAME["batch-independent"](OverSixty)
    assert len(result.case.batch) == 2
    peaks = np.sort(np.abs(result.case.batch.samples).max(axis=1))
    assert peaks[0] < 0.25  # shrunk to the least height that the contract draws, 0.20
    assert 0.6 < peaks[1] < 0.65


# -- its signals ----------------------------------------------------------------------------------


@pytest.mark.parametrize("scene", SCENES, ids=lambda scene: scene.name)
def test_the_pulse_has_the_stated_bandwidth_at_half_height(scene):
    # -6 dB limits as ASTM E1065 defines bandwidth.
    n, rate = 1 << 14, 16 * scene.setup.centre_frequency
    time_s = (np.arange(n) - n // 2) / rate
    height = np.abs(np.fft.rfft(pulse(replace(scene, ring=0.0), time_s)))
    frequency = np.fft.rfftfreq(n, 1 / rate)
    above = frequency[height > 10 ** (-6 / 20) * height.max()]
    assert np.isclose(np.ptp(above), scene.setup.bandwidth_hz, rtol=0.01)
    assert np.isclose(above.mean(), scene.setup.centre_frequency, rtol=0.01)


def test_echoes_are_a_round_trip_apart_and_have_the_signs_of_plane_wave_reflection():
    # Relative to the echo of the bare delay line: interface echo - on metal, back walls all +.
    metal = arrivals(METAL, 1e-3)
    assert metal[0][1] < 0
    assert all(amplitude > 0 for _, amplitude in metal[1:])
    assert np.allclose(np.diff([t for t, _ in metal]), 2e-3 / 5740.0)
    mismatched_polymer = arrivals(SCENES[1], 0.5e-3)
    assert [a > 0 for _, a in mismatched_polymer[:4]] == [True, True, False, True]


@pytest.mark.parametrize("scene", SCENES, ids=lambda scene: scene.name)
def test_no_echo_lies_in_the_samples_that_a_shift_rolls_over(scene):
    for share in (0.0, 0.31, 0.77, 1.0):
        for late in (0, 7):
            clean = trace(scene, Record(share, 1.0, snr_db=200.0, late=late))
            edges = np.r_[clean[: scene.quiet_samples], clean[-scene.quiet_samples :]]
            assert np.abs(edges).max() < 0.01


@pytest.mark.parametrize(
    "scene", [s for s in SCENES if "ringing" not in s.name], ids=lambda scene: scene.name
)
def test_a_dry_record_has_died_away_before_the_thinnest_wall(scene):
    clean = trace(scene, Record(None, 1.0, snr_db=200.0))
    time_s = scene.start_s + np.arange(clean.size) / scene.rate_hz
    start = scene.setup.interface_echo or scene.setup.zero_offset
    behind = time_s > start + 0.95 * float(scene.setup.interval_s(scene.setup.wall_range[0]))
    assert np.abs(scipy.signal.hilbert(clean))[behind].max() < 0.012


def test_the_ringing_probe_still_rings_where_the_thinnest_wall_answers():
    scene = next(s for s in SCENES if "ringing" in s.name)
    clean = trace(scene, Record(None, 1.0, snr_db=200.0))
    at_s = scene.setup.interface_echo + float(scene.setup.interval_s(scene.setup.wall_range[0]))
    height = np.abs(scipy.signal.hilbert(clean))[round((at_s - scene.start_s) * scene.rate_hz)]
    assert 0.03 < height < 0.12


def test_noise_is_half_white_half_in_the_band_and_always_the_same():
    first, second = noise_batch(METAL, 40), noise_batch(METAL, 40)
    assert np.array_equal(first.samples, second.samples)
    power = np.abs(first.spectrum) ** 2
    frequency = np.fft.rfftfreq(first.n_fft, 1 / first.rate_hz)
    outside = np.abs(frequency - METAL.setup.centre_frequency) > METAL.setup.bandwidth_hz
    share = power[:, outside].sum(axis=1) / power.sum(axis=1)
    assert share[::2].max() < 0.05
    assert share[1::2].min() > 0.3


# -- pictures and results -------------------------------------------------------------------------


@given(st.integers(1, 2000), st.integers(0, 9))
@settings(max_examples=30, deadline=None)
def test_a_sketch_fits_the_terminal_whatever_the_record(length, seed):
    samples = np.random.default_rng(seed).normal(size=length).astype(np.float32)
    samples[::7] = np.nan
    lines = sketch(samples, np.arange(length) * 1e-8).splitlines()
    assert max(map(len, lines)) <= 90
    assert all(line.isascii() for line in lines)


def test_a_sketch_shows_where_the_echo_is():
    samples = np.zeros(84, np.float32)
    samples[42] = 1.0
    top = sketch(samples, np.arange(84) * 1e-8).splitlines()[0]
    assert top.strip() == "-"
    assert top.index("-") == 2 + 42


def test_the_picture_is_an_svg_with_the_marks_of_the_detector():
    batch = batch_of(METAL, [Record()])
    readings = Sound().prepare(METAL.setup, Sound.Settings())(batch)
    from echotrial.testing import Case

    drawn = ElementTree.fromstring(Case("metal <&>", batch, 0, "", readings).svg("title"))
    words = [e.text for e in drawn.iter() if e.tag.endswith("text")]
    assert "first echo" in words
    assert "second echo" in words
    assert "metal <&>" in words[0]


def test_a_picture_of_a_malformed_answer_and_of_nan_is_still_a_picture():
    class Short(Sound):
        def prepare(self, setup, settings, *, maps=None):
            return lambda batch: Readings.silent(max(0, len(batch) - 1), Reason.NO_ECHO)

    result = BY_NAME["survives-odd-records"](Short)
    assert ElementTree.fromstring(result.case.svg("short")) is not None
    batch = Batch.of(np.full(64, np.nan), 1e8, 0.0, METAL.setup)
    from echotrial.testing import Case

    case = Case("nan", batch)
    assert "." in case.sketch()
    assert ElementTree.fromstring(case.svg("nan")) is not None


# -- the command ----------------------------------------------------------------------------------


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as exit_:
        main([str(a) for a in arguments])
    return int(exit_.value.code or 0)


def test_a_sound_detector_keeps_every_clause_and_exits_0(capsys):
    assert run("detector", "check", TEMPLATE) == 0
    told = capsys.readouterr().out
    assert re.findall(r"^  (\w+) ", told, re.MULTILINE) == ["pass"] * len(CHECKS)
    assert "my-idea keeps the contract" in told
    lines = told.splitlines()[1:]  # the first names a file, however long its path
    assert max(map(len, lines)) <= 100


def test_check_of_a_broken_one_exits_1_with_sketch_and_picture(tmp_path, capsys):
    source = tmp_path / "chatty.py"
    source.write_text(
        "import numpy as np\n\n\ndef chatty(batch):\n    return np.full(len(batch), 1e-3)\n"
    )
    assert run("detector", "check", source, "--out", tmp_path / "pictures") == 1
    told = capsys.readouterr().out
    assert "FAIL  silent-on-noise" in told
    assert "breaks" in told
    assert all(len(line) <= 100 for line in told.splitlines() if str(tmp_path) not in line)
    drawn = tmp_path / "pictures" / "chatty-silent-on-noise.svg"
    assert str(drawn) in told.replace("\n", "")
    assert ElementTree.parse(drawn)


def test_check_by_name_with_plugin_and_json(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    bad = ("detector", "check", "mute", "--plugin", HERE / "bad_detectors.py", "--json")
    assert run(*bad) == 1
    (found,) = json.loads(capsys.readouterr().out)["detectors"]
    rows = {row["check"]: row for row in found["clauses"]}
    assert list(rows) == list(BY_NAME)
    assert [name for name, row in rows.items() if row["verdict"] == "fail"] == [
        "reads-clear-echoes"
    ]
    assert "Record(wall_share=0.2, height=0.8" in rows["reads-clear-echoes"]["on"]


SLEEPY = """
import time

import numpy as np


def sleepy(batch):
    time.sleep({0})
    return np.full(len(batch), np.nan)
"""


@pytest.mark.parametrize("as_json", [False, True])
def test_a_check_that_takes_too_long_is_named_and_exits_3(tmp_path, capsys, as_json):
    source = tmp_path / "sleepy.py"
    source.write_text(SLEEPY.format(30))
    options = ["--time-limit", "0.3"] + ["--json"] * as_json
    assert run("detector", "check", source, "--out", tmp_path, *options) == 3
    told = capsys.readouterr().out
    if as_json:
        (found,) = json.loads(told)["detectors"]
        assert not found["keeps"]
        verdicts = [row["verdict"] for row in found["clauses"]]
        assert verdicts == ["pass", *["not finished"] * (len(CHECKS) - 1)]
    else:
        assert "LATE  gives-well-formed-readings" in told
        assert "took too long: gives-well-formed-readings was not done after 0.3 s" in told


def test_what_is_broken_before_the_time_is_over_is_broken(tmp_path, capsys):
    source = tmp_path / "both.py"
    source.write_text(SLEEPY.format(0.05).replace("np.nan", "-1.0"))
    assert run("detector", "check", source, "--out", tmp_path, "--time-limit", "0.5") == 1
    assert "LATE" in capsys.readouterr().out


def test_a_slow_detector_is_asked_less_often(monkeypatch):
    """Every law still gets its least number of batches, and every setting its bounds."""
    monkeypatch.setattr(search, "PATIENCE_S", 0.0)
    monkeypatch.setattr(sturdy, "PATIENCE_S", 0.0)
    calls = Counter()

    class Counting(Sound):
        def prepare(self, setup, settings, *, maps=None):
            detect = super().prepare(setup, settings)

            def counted(batch):
                calls["all"] += 1
                return detect(batch)

            return counted

    asked = {}
    for name in ("gain-invariant", "settings-hold-at-their-bounds"):
        calls.clear()
        assert BY_NAME[name](Counting)
        asked[name] = calls["all"]
    # A law calls twice a batch; each choice of settings three times in one set-up.
    assert asked["gain-invariant"] == 2 * search.LEAST * len(Subject(Sound).prepared)
    assert asked["settings-hold-at-their-bounds"] % 3 == 0
    for bad in BAD:
        if bad.breaks in ("batch-independent", "settings-hold-at-their-bounds"):
            assert BY_NAME[bad.breaks](bad).verdict == "fail"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("my-idae", "--plugin", TEMPLATE), "did you mean 'my-idea'?"),
        (("nowhere.py",), "no such file"),
    ],
)
def test_check_of_nothing_is_a_wrong_question(arguments, said, capsys):
    assert run("detector", "check", *arguments) == 2
    assert said in capsys.readouterr().err


def test_check_of_a_file_that_does_not_load_says_why(tmp_path, capsys):
    source = tmp_path / "exits.py"
    source.write_text("raise SystemExit('no licence')\n")
    assert run("detector", "check", source) == 2
    assert "no licence" in capsys.readouterr().err
