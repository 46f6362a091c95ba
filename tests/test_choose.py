"""``echotrial choose``: what it does with detectors that lie, are silent or fail; its parts."""

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from echotrial import host
from echotrial.choose.advice import changes
from echotrial.choose.candidates import candidates
from echotrial.choose.crew import DIED, Bench, Crew, Where
from echotrial.choose.decide import duel, ranking
from echotrial.choose.height import Height, heights
from echotrial.choose.height import _chosen as better_height
from echotrial.choose.job import read_job
from echotrial.choose.method import read_method
from echotrial.choose.objective import Objective, PerRecord, of_panel
from echotrial.choose.search import Found, Hunt, search
from echotrial.choose.variation import spec_around
from echotrial.cli import main
from echotrial.corpus.build import build
from echotrial.outcome import Direction, Outcome
from echotrial.scores import Limits, Panel
from echotrial.setup import Setup

PLATE = """
centre_frequency = "15 MHz"
bandwidth = "9 MHz"
velocity_uncertainty = "10 m/s"
wall_range = ["0.8 mm", "2 mm"]
[wall]
material = "carbon steel"
[delay_line]
material = "polystyrene"
length = "10 mm"
"""
BAD = '''
import numpy as np

def always(batch):
    """One wall, whatever comes."""
    return np.full(len(batch), 1.2e-3)

def silent(batch):
    return np.full(len(batch), np.nan)

def raises(batch):
    raise RuntimeError("no such echo")
'''


@pytest.fixture
def plate(tmp_path: Path) -> Path:
    path = tmp_path / "plate.toml"
    path.write_text(PLATE, encoding="utf-8")
    (tmp_path / "bad.py").write_text(BAD, encoding="utf-8")
    return path


def choose(plate: Path, *arguments: str) -> int:
    folder = plate.parent
    with pytest.raises(SystemExit) as stopped:
        main(["choose", str(plate), "--plugin", str(folder / "bad.py"), "--workers", "0",
              "--out", str(folder / "out"), *arguments])  # fmt: skip
    return int(str(stopped.value.code))


def test_a_detector_that_always_answers_is_none_of_these(plate, capsys):
    small = ["--prove", "2000", "--tune", "60", "--no-advice"]
    assert choose(plate, "--detector", "always", "--detector", "silent", *small) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "none of these can be trusted" in said
    assert "qualifies no procedure" in said
    assert not (plate.parent / "out" / "method.toml").exists()


def test_too_few_records_recommend_nothing(plate, capsys):
    assert choose(plate, "--detector", "always", "--prove", "100", "--tune", "60") == 1
    assert "not enough records to say" in capsys.readouterr().out
    assert not (plate.parent / "out" / "method.toml").exists()


def test_a_failed_trial_is_refused_and_leaves_nothing(plate, capsys):
    assert choose(plate, "--detector", "raises", "--prove", "100", "--tune", "60") == 1
    assert "no detector hit a single wall of `tune`, so none can be chosen: raises: crashed" in (
        capsys.readouterr().err
    )
    assert not (plate.parent / "out").exists()


def test_not_a_single_hit_is_none_of_these_with_a_page_that_says_so(plate, capsys):
    """As JSON too, in the form of every choice."""
    small = ["--detector", "silent", "--prove", "100", "--tune", "60", "--no-advice"]
    assert choose(plate, *small) == 1
    assert "none of these can be trusted: no detector hit a single wall" in capsys.readouterr().out
    page = (plate.parent / "out" / "none-of-these.html").read_text(encoding="utf-8")
    for words in ("None of these: plate", "no detector hit a single wall", "silent", "Mode 2: "):
        assert words in page
    assert [p.name for p in (plate.parent / "out").iterdir()] == ["none-of-these.html"]
    shutil.rmtree(plate.parent / "out")
    assert choose(plate, *small, "--json") == 1
    said = json.loads(capsys.readouterr().out)
    assert (said["detector"], said["verdict"], said["trial"]) == (None, None, None)
    assert [s["detector"] for s in said["searched"]] == ["silent"]
    assert said["sheet"].endswith("none-of-these.html")


@pytest.mark.parametrize(
    ("walls", "said"),
    [
        ('["0.005 mm", "0.015 mm"]', "below 0.05 no detector"),
        ('["0.005 mm", "0.015 mm"]', "MHz would make it a quarter"),
    ],
)
def test_walls_that_nothing_can_tell_are_refused_with_the_fix(plate, capsys, walls, said):
    plate.write_text(PLATE.replace('["0.8 mm", "2 mm"]', walls), encoding="utf-8")
    assert choose(plate, "--detector", "always") == 2
    assert said in capsys.readouterr().err
    assert not (plate.parent / "out").exists()


def test_a_tolerance_as_large_as_the_wall_is_refused(plate, capsys):
    text = PLATE.replace('["0.8 mm", "2 mm"]', '["0.02 mm", "0.1 mm"]')
    plate.write_text('tolerance = { absolute = "60 um" }\n' + text, encoding="utf-8")
    assert choose(plate, "--detector", "always") == 2
    assert "would count as a hit" in capsys.readouterr().err


def test_a_folder_that_is_there_is_left_alone(plate, capsys):
    (plate.parent / "out").mkdir()
    assert choose(plate, "--detector", "always") == 2
    assert "is there already" in capsys.readouterr().err


@pytest.mark.slow
def test_advice_is_tried_by_simulation(plate, capsys):
    small = ["--prove", "2000", "--tune", "60"]
    assert choose(plate, "--detector", "always", *small) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "averaging of 16 A-scans" in said
    assert "delay line of fused silica" in said
    assert "None of these changes helps" in said or "What would help most" in said


@pytest.mark.slow
def test_an_easy_plate_has_a_method(plate, capsys):
    """Walls of two wavelengths and more: somebody should hold there (common practice)."""
    assert choose(plate, "--detector", "correlation", "--prove", "2000", "--tune", "200") == 0
    method = read_method(plate.parent / "out" / "method.toml")
    assert method.detector == "correlation"
    assert method.calibration is None
    assert len(method.budgets()) == 3
    assert "trust correlation" in " ".join(capsys.readouterr().out.split())


@pytest.mark.slow
def test_recordings_are_proven_on_and_their_disagreements_named(plate, capsys):
    """Computed records stand in for recordings; the file says so, and the message names them."""
    folder = plate.parent
    plain = ["--detector", "correlation", "--prove", "700", "--tune", "60", "--no-advice"]
    assert choose(plate, *plain) == 1
    corpus = folder / "out" / "corpus"
    (folder / "out").rename(folder / "first")
    corpus = folder / "first" / "corpus"
    text = (corpus / "corpus.toml").read_text(encoding="utf-8")
    renamed = text.replace('name = "around-the-set-up"', 'name = "stand-in"', 1)
    (corpus / "corpus.toml").write_text(renamed, encoding="utf-8")
    capsys.readouterr()
    assert choose(plate, *plain, "--seed", "1", "--recorded", str(corpus)) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "stand-in: correlation hits" in said
    assert "is in keeping with the simulation" in said
    assert "record " in said


# -- parts --------------------------------------------------------------------------------------


def job(plate):
    model = host.load(allow=["corpora"]).forward_model
    return read_job(plate, model.materials()), model


def test_records_vary_as_the_job_says(plate):
    found, model = job(plate)
    spec = spec_around(model, found)
    assert spec.setup.reference_echo is not None
    assert spec.setup.velocity == found.setup.velocity
    assert spec.setup.wall_range == found.setup.wall_range
    assert (spec.receiver.snr.low, spec.receiver.snr.high) == found.uncertain.noise
    assert spec.couplant.gap.high == found.uncertain.couplant_gap[1]
    # two standard deviations of 10 m/s on 5960 m/s
    assert spec.wall.velocity_spread.high == pytest.approx(20 / 5960)


def test_a_hollow_curves_the_couplant_the_other_way(plate):
    """A flat tip in a hollow of 20 mm stands off as a convex tip of 10 mm does on a flat part."""
    plate.write_text('concave_diameter = "20 mm"\nelement_diameter = "1 mm"\n' + PLATE)
    found, model = job(plate)
    spec = spec_around(model, found)
    assert spec.couplant.tip_radius == pytest.approx(10e-3)
    assert spec.wall.outside_diameter is None


def test_changes_touch_one_thing_each(plate):
    found, model = job(plate)
    tried = dict(changes(found, model.materials()))
    quiet = tried["averaging of 16 A-scans"].uncertain.noise
    gain_db = 8.685889638 * (quiet[0] - found.uncertain.noise[0])
    assert gain_db == pytest.approx(12.04, abs=0.01)  # 10 lg 16
    assert tried["averaging of 16 A-scans"].setup == found.setup
    silica = tried["delay line of fused silica"].setup
    assert silica.delay_line.impedance == pytest.approx(13.13e6, rel=1e-3)
    assert silica.centre_frequency == found.setup.centre_frequency


def test_candidates_begin_with_the_mode_and_leave_mode_1_to_those_who_ask(plate):
    loaded = host.load().detectors["threshold"]
    found = candidates(loaded, (85e-9,))
    assert list(found)[:2] == ["mode", "gate_start_s"]
    assert set(found["mode"]) == {"setup", 2, 3}
    assert 85e-9 in found["gate_start_s"]


def panel(outcomes, walls_mm, error_um=1.0):
    codes = {str(o): i for i, o in enumerate(Outcome)}
    directions = {str(d): i for i, d in enumerate(Direction)}
    import pandas as pd

    n = len(outcomes)
    setup = Setup(centre_frequency=15e6, velocity=5900.0, wall_range=(1e-3, 2e-3))
    truth = pd.DataFrame({"record": range(n), "thickness_mm": walls_mm})
    return Panel(
        "invented", setup, ("one",), truth,
        np.array([[codes[o] for o in outcomes]], dtype=np.int8),
        np.full((1, n), directions["thick"], dtype=np.int8), np.full((1, n), error_um),
        np.full((1, n), np.nan),
    )  # fmt: skip


def test_objective_puts_truthfulness_before_hits():
    walls = np.linspace(1, 2, 300)
    honest = of_panel(panel(["hit"] * 200 + ["dropout"] * 100, walls), Limits())
    bold = of_panel(panel(["hit"] * 290 + ["echo skip"] * 10, walls), Limits())
    silent = of_panel(panel(["dropout"] * 300, walls), Limits())
    assert honest > bold
    assert honest > silent
    assert bold.false_lock == pytest.approx(1 / 30)
    assert bold.within == pytest.approx(-np.log2(bold.thick / 0.005))
    assert honest.worst_hit == 0.0


def test_objective_prefers_precision_last():
    walls = np.linspace(1, 2, 30)
    found = [of_panel(panel(["hit"] * 30, walls, e), Limits()) for e in (1.0, 2.0)]
    assert isinstance(found[0], Objective)
    assert found[0] > found[1]


def assessment(name, rank, hit, failures=()):
    return {"detector": name, "rank": rank, "hit": hit, "worst_hit": hit, "failures": failures}


def test_duel_counts_what_one_alone_hits():
    """Fagerland, Lydersen, Laake, BMC Med Res Methodol 13 (2013) 91: 1 and 7 give p = 0.070."""
    import pandas as pd

    a = [True] * 7 + [False] + [True] * 22
    b = [False] * 7 + [True] + [True] * 22
    rows = [
        {"record": i, "detector": n, "outcome": "hit" if h else "dropout"}
        for n, hits in (("a", a), ("b", b))
        for i, h in enumerate(hits)
    ]
    truth = pd.DataFrame({"record": range(30), "thickness_mm": 1.5, "split": "prove"})
    verdict = {"assessments": [assessment("b", 2, 0.7), assessment("a", 1, 0.9)]}
    found = duel(pd.DataFrame(rows), truth, verdict, (1e-3, 2e-3))
    assert (found.first, found.only_first, found.only_second) == ("a", 7, 1)
    assert found.p_value == pytest.approx(0.0703, abs=1e-4)
    assert "no more than chance" in found.sentence


def test_the_eligible_come_before_the_others():
    rows = [assessment("x", 0, 0.99, ("lies",)), assessment("y", 1, 0.6)]
    assert [a["detector"] for a in ranking({"assessments": rows})] == ["y", "x"]


def test_every_polarity_is_tried_and_a_mode_that_the_user_names_is_kept():
    loaded = host.load().detectors["threshold"]
    assert set(candidates(loaded, ())["polarity"]) == {"auto", "positive", "negative"}
    assert "mode" not in candidates(loaded, (), mode=2)


ODD = '''
import os
import time

import numpy as np

def steady(batch, *, level: float = 0.4):
    """The middle of the range, whatever comes."""
    return np.full(len(batch), 1.4e-3)

def deadly(batch):
    os._exit(3)

def hangs(batch):
    time.sleep(600)
'''


def searched(plate, names, workers, limit_s):
    """Search three odd detectors on 30 records made for it."""
    (plate.parent / "odd.py").write_text(ODD, encoding="utf-8")
    installed = host.load([plate.parent / "odd.py"])
    found, model = job(plate)
    out = plate.parent / "tune"
    build(installed, spec_around(model, found), size={"prove": 0, "tune": 30}, out=out)
    where = Where(out, (plate.parent / "odd.py",), True, (), Limits())
    with Crew(workers) as crew:
        rows, _ = search([installed.detectors[n] for n in names], where, crew, limit_s)
    return {f.detector: f for f in rows}


@pytest.mark.slow
def test_one_that_takes_its_process_along_costs_the_others_nothing(plate):
    found = searched(plate, ["deadly", "steady", "threshold"], 2, 60.0)
    assert found["deadly"].lost == DIED
    assert found["deadly"].objective is None
    assert found["steady"].objective is not None
    assert found["threshold"].objective is not None
    assert found["threshold"].left == ()


@pytest.mark.slow
def test_one_that_hangs_is_cut_off_and_named(plate):
    """Whatever the machine's load: only the one that hangs has a limit that matters."""
    found, model = job(plate)
    odd, out = plate.parent / "odd.py", plate.parent / "tune"
    odd.write_text(ODD, encoding="utf-8")
    installed = host.load([odd])
    build(installed, spec_around(model, found), size={"prove": 0, "tune": 30}, out=out)
    where = Where(out, (odd,), True, (), Limits())
    steady, hangs = (Hunt(installed.detectors[n], where) for n in ("steady", "hangs"))
    hunts = {"steady": steady, "hangs": hangs}

    def take(step, answer):
        hunts[step.detector].take(step, answer)

    with Crew(1) as crew:
        assert crew.run([steady.first], 600.0, take) == []
        assert crew.run([hangs.first], 1.0, take) == [hangs.first]
        assert crew.run([steady.first], 600.0, lambda step, answer: None) == []  # in a new process
    assert steady.found.objective is not None
    assert "within the time limit" in hangs.found.lost


def test_a_limit_of_time_leaves_the_rest_untried_and_says_so(plate):
    found = searched(plate, ["threshold"], 0, 0.0)["threshold"]
    assert found.objective is not None  # the defaults
    assert found.tried == 1
    assert {"mode", "polarity", "level_relative"} <= set(found.left)


def test_several_settings_in_one_pass_are_judged_as_each_alone(plate):
    """One pass against a pass for each: the slow twin."""
    installed = host.load()
    found, model = job(plate)
    out = plate.parent / "tune"
    build(installed, spec_around(model, found), size={"prove": 0, "tune": 60}, out=out)
    bench = Bench(Where(out, (), True, (), Limits()))
    asked = [{}, {"mode": 2}, {"mode": 3, "level_relative": 0.5}]
    detector = bench.host.detectors["threshold"]
    together = bench.judged_each(detector, asked, bench.rows)
    alone = [bench.judged(detector, settings, bench.rows)[0] for settings in asked]
    assert [j.objective for j in together] == alone
    assert len(set(alone)) > 1


def height_of(height, hits, locks=()):
    """200 walls, of which `hits` (a set of indices) are hit and `locks` locked on wrongly."""
    hit, lock = (np.isin(np.arange(200), list(x)) for x in (hits, locks))
    objective = Objective(-lock.sum() / 10, 0.5, -1.0, hit.mean(), lock.mean(), 0.0, 0.0, 200)
    return Height(height, "one", objective, PerRecord(np.ones(200, bool), hit, lock))


def test_a_height_is_left_only_for_more_than_chance():
    """Exact McNemar, one-sided, at 5 % over six questions: 8 gained and none lost are p = 1/256.

    7 gained are 1/128 = 0.0078, less than 0.05 / 6 = 0.0083; 6 gained are 1/64.
    """
    usual = height_of(0.8, range(150))
    assert better_height([usual, height_of(0.4, range(156))]) == 0.8
    assert better_height([usual, height_of(0.4, range(157))]) == 0.4
    swapped = height_of(0.4, range(30, 190))  # 40 gained, 30 lost: ten more, by chance
    assert better_height([usual, swapped]) == 0.8
    assert better_height([usual, height_of(0.4, range(160)), height_of(1.2, range(180))]) == 1.2
    worse = height_of(0.4, range(180), range(180, 200))
    assert better_height([usual, worse]) == 0.8
    lying = height_of(0.8, range(150), range(150, 170))
    assert better_height([lying, height_of(0.2, range(150), range(150, 160))]) == 0.2


@pytest.mark.slow
def test_few_bits_and_little_noise_want_the_screen_used(plate):
    """Six bits at 20 % of full scale leave six steps: late multiples fall below one of them.

    Invented case; W. R. Bennett (1948, from memory): a step q adds noise of q / sqrt(12).
    """
    quiet = '[uncertain]\nnoise = ["60 dB", "70 dB"]\n'
    plate.write_text("bits = 6\n" + PLATE + quiet, encoding="utf-8")
    installed = host.load()
    found, model = job(plate)
    assert spec_around(model, found).receiver.bits == 6
    out = plate.parent / "tune"
    build(installed, spec_around(model, found), size={"prove": 0, "tune": 256}, out=out)
    where = Where(out, (), True, (), Limits())
    finalist = Found("correlation", {"mode": 3}, None, 1)
    with Crew(0) as crew:
        tried = heights(installed, found, [finalist], where, crew, 600.0, plate.parent)
    hits = {h.height: h.objective.hit for h in tried.tried}
    assert hits[0.8] > hits[0.2] + 0.2
    assert tried.chosen in (0.8, 1.2)
    assert f"{tried.chosen:.0%}" in tried.sentence
