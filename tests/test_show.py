"""`echotrial show`, pictures of single records, spark lines, notebooks."""

import json
import re
import xml.etree.ElementTree as ET

import echotrial
import numpy as np
import pytest
from echotrial.cli import main
from echotrial.corpus.store import Corpus
from echotrial.outcome import Outcome
from echotrial.report import facts
from echotrial.report.palette import LOOKS
from echotrial.report.picture import figure, picture
from echotrial.report.record import Records
from echotrial.report.static import image
from echotrial.report.terminal import spark
from echotrial.trial import Trial

from tests.report_trials import corpus_at, trial_of
from tests.told_detectors import NASTY


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Trial:
    folder = tmp_path_factory.mktemp("show")
    corpora = [corpus_at(folder / "made", 160, prove=120)]
    return trial_of(folder / "trial", corpora)


def record_with(trial: Trial, outcome: str, detector: str = "told") -> int:
    rows = trial.readings[
        (trial.readings["outcome"] == outcome) & (trial.readings["detector"] == detector)
    ]
    assert len(rows), f"no {outcome} among the planted readings"
    return int(rows["record"].iloc[0])


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main([str(a) for a in arguments])
    told = capsys.readouterr()
    return int(stop.value.code or 0), told.out, told.err


WHY = {
    "hit": "within tolerance",
    "off": "the right echoes, but not within tolerance",
    "tail lock": "inside the tail of the interface echo, which ends at 2.4200 us",
    "echo skip": "another number of wall round trips",
    "cycle skip": "half a period or a period away",
    "stray": "no rule names a cause",
    "phantom": "was read where there is no wall",
    "dropout": "the detector's reason: no echo",
    "quiet": "no wall and no reading",
}


@pytest.mark.parametrize("outcome", WHY)
def test_show_says_what_was_read_and_why_it_has_its_outcome(trial, capsys, outcome) -> None:
    number = record_with(trial, outcome)
    code, out, _ = run(capsys, "show", trial.folder, number)
    row = trial.readings.query("record == @number and detector == 'told'").iloc[0]
    flat = " ".join(out.split())
    assert code == 0
    assert f"record {number}" in flat
    assert WHY[outcome] in flat
    if np.isfinite(row["first_echo_us"]):
        assert f"first {row['first_echo_us']:.4f} us" in flat
        assert f"{row['thickness_mm']:.4f} mm" in flat
    if np.isfinite(row["error_um"]) and outcome in ("hit", "off", "stray", "cycle skip"):
        assert f"{row['error_um']:+.2f} um" in flat
    assert max(map(len, out.splitlines())) <= 100 + len(NASTY)


def test_a_tail_lock_names_the_nearest_echo_and_the_distance(trial) -> None:
    rows = trial.readings.query("outcome == 'tail lock' and detector == 'told'")
    record = facts.open_record(trial, int(rows.loc[rows["first_echo_us"] > 2.21, "record"].iloc[0]))
    why = next(r.why for r in record.readings if r.detector == "told")
    # planted: the first mark 30 ns behind the interface echo, less the median offset of the hits
    offset = Records(trial, "made").offsets["told"].first_s * 1e9
    assert f"{30 - offset:.1f} ns" in why
    assert "after the nearest echo that stands, interface echo" in why


def test_crashes_are_told_with_what_the_detector_raised(trial, capsys) -> None:
    _, out, _ = run(capsys, "show", trial.folder, 0)
    assert "broken: crashed" in out
    assert "broken on purpose" in out


@pytest.mark.parametrize("outcome", ["hit", "tail lock", "phantom", "dropout"])
def test_svg_holds_names_and_outcomes_as_text(trial, capsys, tmp_path, outcome) -> None:
    number, path = record_with(trial, outcome), tmp_path / "it.svg"
    code, _, _ = run(capsys, "show", trial.folder, number, "--out", path)
    assert code == 0
    texts = {(e.text or "").strip() for e in ET.parse(path).iter() if e.text}
    assert NASTY in texts
    assert outcome in texts
    assert any(t.startswith(f"made, record {number}:") for t in texts)


def test_svg_has_its_marks_where_the_readings_say(trial) -> None:
    """One straight line takes microseconds to places in the file, for echoes and locks alike."""
    record = facts.open_record(trial, record_with(trial, "cycle skip"))
    groups = {g.get("id"): g for g in ET.fromstring(image(record, "svg")).iter() if g.get("id")}

    def places(name: str) -> list[float]:
        path = next(e for e in groups[name].iter() if e.tag.endswith("path"))
        return [float(x) for x in re.findall(r"[ML] ([\d.]+)", path.get("d"))]

    row = next(i for i, r in enumerate(record.readings) if r.detector == "told")
    lock = record.readings[row]
    pairs = [(e.at_us, places(f"echo-{e.order}")[0]) for e in record.echoes]
    pairs += zip([lock.first_echo_us, lock.second_echo_us], places(f"lock-{row}"), strict=True)
    time, place = np.array(pairs).T
    slope, start = np.polyfit(time[[0, 4]], place[[0, 4]], 1)
    assert slope > 0
    np.testing.assert_allclose(start + slope * time, place, atol=0.05)


def test_png_is_a_picture(trial, capsys, tmp_path) -> None:
    run(capsys, "show", trial.folder, 3, "--out", tmp_path / "it.png")
    assert (tmp_path / "it.png").read_bytes().startswith(b"\x89PNG\r\n")


def test_the_same_record_gives_the_same_bytes(trial) -> None:
    record = facts.open_record(trial, 3)
    assert image(record, "svg") == image(record, "svg")


def test_json_keeps_its_schema(trial, capsys) -> None:
    code, out, _ = run(capsys, "show", trial.folder, record_with(trial, "off"), "--json")
    data = json.loads(out)
    assert code == 0
    assert data["schema"] == "echotrial.record/1"
    facts.RecordData.model_validate(data)
    told = next(r for r in data["readings"] if r["detector"] == "told")
    assert told["outcome"] == "off"
    assert told["error_um"] == pytest.approx(30, abs=0.1)
    assert {r["detector"] for r in data["readings"]} == {"told", NASTY, "broken", "mute"}


def test_show_without_a_record_prints_the_tables_and_writes_the_report(trial, capsys) -> None:
    (trial.folder / "report.html").unlink(missing_ok=True)
    code, out, _ = run(capsys, "show", trial.folder)
    assert code == 0
    assert "hit %" in out
    assert (trial.folder / "report.html").is_file()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["9999"], "this trial read 160 records of made, 0 to 159"),
        (["three"], "CORPUS:NUMBER"),
        (["mode:3"], "did you mean 'made'?"),
        (["3", "--out", "picture.bmp"], ".svg or .png"),
        (["--out", "picture.png"], "name it .html"),
    ],
)
def test_wrong_questions_say_what_would_be_right(trial, capsys, arguments, words) -> None:
    code, _, err = run(capsys, "show", trial.folder, *arguments)
    assert code == 2
    assert words in err


def test_a_stopped_trial_is_said_to_be_incomplete(trial, capsys, tmp_path) -> None:
    text = (trial.folder / "trial.toml").read_text(encoding="utf-8")
    (tmp_path / "trial.toml").write_text(text.replace("complete = true", "complete = false"))
    code, _, err = run(capsys, "show", tmp_path, "3")
    assert code == 3
    assert "incomplete" in err


def test_a_number_alone_is_not_enough_where_there_are_two_corpora(trial) -> None:
    two = Trial(
        trial.folder, {**trial.info, "corpora": [*trial.info["corpora"], {"name": "other"}]}
    )
    with pytest.raises(echotrial.errors.WrongQuestion, match="made:3 or other:3"):
        facts.open_record(two, 3)


def test_a_record_without_its_waveform_shows_the_rest(trial, tmp_path) -> None:
    gone = {**trial.info["corpora"][0], "folder": str(tmp_path / "gone")}
    moved = Trial(trial.folder, {**trial.info, "corpora": [gone]})
    record = facts.open_record(moved, 3)
    assert record.wave is None
    assert "waveforms are missing" in "\n".join(facts.lines(record))
    assert b"waveforms are missing" in image(record, "svg")
    assert facts.as_json(record)["missing"]


def test_picture_and_figure_agree(trial) -> None:
    record = facts.open_record(trial, record_with(trial, "hit"))
    made = figure(record)
    assert [t.name for t in made.data] == [t["name"] for t in picture(record)["data"]]
    look = LOOKS[Outcome.HIT]
    assert next(t for t in made.data if t.name == "told").marker.color == look.colour


# -- terminal and notebook ------------------------------------------------------------------------


def test_spark_rises_with_the_share_and_hides_no_small_one() -> None:
    assert spark([0, 0.001, 0.5, 1.0, 7.0]) == "▁▂▅██"
    assert spark([0, 0.001, 0.5, 1.0], blocks=False) == "0159"
    assert spark([float("nan"), 1.0]) == "·█"


def test_the_terminal_shows_the_hits_of_every_wall_bin(trial, capsys) -> None:
    _, out, _ = run(capsys, "show", trial.folder)
    rows = trial.scores.query(
        "stratum == 'wall_wavelengths' and measure == 'hit' and detector == 'told'"
    )
    line = spark(list(rows["value"]))
    assert len(line) > 3
    assert line in out
    assert "over wall, 1 to 5 wavelengths" in out


def test_a_notebook_asks_for_html_as_it_asks_everybody(trial) -> None:
    """IPython, which formats every answer of a notebook, finds the HTML by itself."""
    formatters = pytest.importorskip("IPython.core.formatters", reason="no IPython here")
    made = formatters.DisplayFormatter()
    record = facts.open_record(trial, 3)
    for shown in (trial, record, Corpus.open(trial.info["corpora"][0]["folder"])):
        data, _ = made.format(shown)
        assert data["text/html"] == shown._repr_html_()


def test_notebooks_get_tables_and_pictures(trial) -> None:
    html = trial._repr_html_()
    assert "<table" in html
    assert "<script" not in html
    assert "&lt;script&gt;" in html
    told = trial.scores.query("detector == 'told' and stratum == 'whole' and measure == 'hit'")
    assert f"<td>{100 * told['value'].iloc[0]:.3g}</td>" in html
    corpus = Corpus.open(trial.info["corpora"][0]["folder"])._repr_html_()
    assert "120 prove, 40 tune" in corpus
    record = echotrial.open_record(trial, "made:3")._repr_html_()
    assert record.startswith("<div><svg")
    assert "<script" not in record
    assert "http" not in record.replace("http://www.w3.org", "").replace(
        "http://purl.org", ""
    ).replace("http://creativecommons.org", "").replace("https://matplotlib.org", "")
