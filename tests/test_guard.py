"""The guard: baseline file, check, reports, and the command from acceptance to refusal."""

import subprocess
import sys
from importlib.metadata import entry_points
from pathlib import Path

import junitparser
import numpy as np
import pytest
import tomlkit
from echotrial.cli import main
from echotrial.compare import Side, Verdict
from echotrial.errors import NotToBeHad, WrongQuestion
from echotrial.guard import Baseline, check, read_baseline, write_baseline
from echotrial.guard.annotations import annotations
from echotrial.guard.baseline import digest
from echotrial.guard.junit import junit
from echotrial.guard.packing import LETTERS, pack, unpack
from echotrial.guard.summary import summary
from echotrial.outcome import Direction, Outcome
from echotrial.strict import read_toml
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.paired_sides import answer, answers, side, truth_of

N = 400
TRUTH = truth_of(N)
WALLS = np.flatnonzero(TRUTH["thickness_mm"].notna())
WORSE = {
    "outcome": dict.fromkeys(WALLS[:60], "stray"),
    "direction": dict.fromkeys(WALLS[:60], "thick"),
    "error_um": dict.fromkeys(WALLS[:60], 300.0),
}


def trial(name: str = "d", **changes) -> Side:
    return side("this trial", {name: answer(TRUTH, **changes)}, TRUTH)


def baseline(of: Side | None = None) -> Baseline:
    return Baseline("it is the first", "2020-01-01", {"echotrial": "0"}, "smoke", 0, of or trial())


# -- the file -------------------------------------------------------------------------------------

ANSWERS = st.lists(
    st.tuples(
        st.sampled_from([str(o) for o in Outcome]),
        st.sampled_from([str(d) for d in Direction]),
        st.one_of(st.just(float("nan")), st.floats(-20_000, 20_000)),
    ),
    max_size=250,
)


@given(ANSWERS)
@settings(deadline=None, max_examples=40)
def test_what_is_packed_comes_back(rows):
    columns = zip(*rows, strict=True) if rows else ([], [], [])
    given_in = answers(*(np.array(c) for c in columns))
    back = unpack(pack(given_in))
    for name in ("outcome", "direction", "error", "read"):
        assert np.array_equal(getattr(back, name), getattr(given_in, name)), name


def test_every_outcome_has_a_letter_of_its_own():
    assert set(LETTERS) == set(Outcome)
    assert len(set(LETTERS.values())) == len(Outcome)


def test_a_baseline_is_text_in_which_flips_can_be_seen(tmp_path: Path):
    write_baseline(tmp_path / "a.toml", baseline())
    write_baseline(tmp_path / "b.toml", baseline(trial(**WORSE)))
    a, b = (tmp_path / n for n in ("a.toml", "b.toml"))
    assert a.stat().st_size < 3000
    lines = a.read_text(encoding="utf-8"), b.read_text(encoding="utf-8")
    assert "qhhhhhhhhhqhhhhhhhhh" in lines[0]
    assert "qSSSSSSSSSqSSSSSSSSS" in lines[1]
    back = read_baseline(a)
    assert (back.because, back.size, back.seed) == ("it is the first", "smoke", 0)
    assert check(trial(), back).passed


def edited(path: Path, change) -> None:
    path.write_text(change(path.read_text(encoding="utf-8")), encoding="utf-8")


@pytest.mark.parametrize(
    "change",
    [
        lambda text: text.replace("qhhhhh", "qhhhhd", 1),
        lambda text: text.replace("it is the first", "it was the first"),
        lambda text: text[: len(text) * 2 // 3],
        lambda text: text.replace("digest", "digits"),
        lambda text: "",
        lambda text: text + "\n[[verdict]]\ncorpus = 'x'\n",
    ],
    ids=["outcome", "reason", "cut short", "no digest", "empty", "added"],
)
def test_a_baseline_edited_by_hand_or_cut_short_is_refused(tmp_path: Path, change):
    path = tmp_path / "b.toml"
    write_baseline(path, baseline())
    edited(path, change)
    with pytest.raises((WrongQuestion, NotToBeHad), match=r"digest|not valid TOML|format None"):
        read_baseline(path)


@pytest.mark.parametrize(
    "change",
    [
        lambda data: data["corpus"][0]["answers"][0].update(errors="no packed data"),
        lambda data: data["corpus"][0]["answers"][0].update(outcomes=["zzz"]),
        lambda data: data["corpus"][0].update(records=7),
        lambda data: data["corpus"][0].pop("answers"),
        lambda data: data.update(corpus="none"),
    ],
    ids=["packed", "letters", "count", "missing", "type"],
)
def test_a_wrong_baseline_with_a_right_digest_is_refused_too(tmp_path: Path, change):
    path = tmp_path / "b.toml"
    write_baseline(path, baseline())
    data = read_toml(path)
    del data["digest"]
    change(data)
    path.write_text(tomlkit.dumps({"digest": digest(data), **data}), encoding="utf-8")
    with pytest.raises(WrongQuestion, match="is not what a baseline holds"):
        read_baseline(path)


def test_a_baseline_of_another_format_says_how_to_make_a_new_one(tmp_path: Path):
    path = tmp_path / "b.toml"
    write_baseline(path, baseline())
    edited(path, lambda text: text.replace("format = 1", "format = 2"))
    with pytest.raises(NotToBeHad, match=r"format 2, this version reads 1.*--accept"):
        read_baseline(path)


# -- the check ------------------------------------------------------------------------------------


def test_worse_fails_and_better_does_not():
    report = check(trial(**WORSE), baseline())
    assert (report.exit_code, report.passed) == (1, False)
    assert report.answer == "got worse: d on made"
    assert check(trial(), baseline(trial(**WORSE))).passed


def test_a_missing_detector_is_incomplete():
    report = check(trial("other"), baseline())
    assert report.exit_code == 3
    assert report.comparison.of(Verdict.NOT_COMPARABLE)[0].reason == "'d' did not run in this trial"
    assert report.new == ("detector other",)


def test_fewer_records_are_incomplete_never_passed():
    short = TRUTH.iloc[:300]
    fewer = side("this trial", {"d": answer(short)}, short)
    report = check(fewer, baseline())
    assert report.exit_code == 3
    assert "400 and 300 prove records" in report.comparison.verdicts[0].reason


def test_a_corpus_that_did_not_run_is_incomplete():
    other = side("this trial", {"d": answer(TRUTH)}, TRUTH, name="other")
    report = check(other, baseline())
    assert report.exit_code == 3
    assert report.new == ("corpus other",)


def test_what_the_baseline_does_not_know_is_not_judged():
    more = side("this trial", {"d": answer(TRUTH), "e": answer(TRUTH, **WORSE)}, TRUTH)
    report = check(more, baseline())
    assert report.passed
    assert report.new == ("detector e",)


def test_a_plugin_that_failed_to_load_is_incomplete():
    report = check(trial(), baseline(), troubles=("plugin x failed to load: why",))
    assert report.exit_code == 3
    assert check(trial(**WORSE), baseline(), troubles=("x",)).exit_code == 1


# -- reports --------------------------------------------------------------------------------------


def test_junit_is_what_a_standard_reader_expects(tmp_path: Path):
    a = side("A", {"d": answer(TRUTH), "gone": answer(TRUTH), "e": answer(TRUTH)}, TRUTH)
    b = side("B", {"d": answer(TRUTH, **WORSE), "e": answer(TRUTH)}, TRUTH)
    report = check(b, baseline(a), troubles=("plugin \x00 <&> failed to load",))
    (tmp_path / "j.xml").write_text(junit(report), encoding="utf-8")
    read = junitparser.JUnitXml.fromfile(str(tmp_path / "j.xml"))
    assert (read.tests, read.failures, read.errors) == (4, 1, 2)
    suite = next(iter(read))
    assert (suite.name, suite.tests, suite.failures, suite.errors) == ("made", 3, 1, 1)
    by_name = {case.name: case.result for case in suite}
    failure = by_name["d"][0]
    assert isinstance(failure, junitparser.Failure)
    assert "worse: hit" in failure.message
    assert "record 1 " in failure.text or "record" in failure.text
    assert isinstance(by_name["gone"][0], junitparser.Error)
    assert not by_name["e"]


def test_annotations_are_one_line_each():
    report = check(trial(**WORSE), baseline(), troubles=("50 % of\nit, failed: why",))
    lines = list(annotations(report))
    assert len(lines) == 2
    assert lines[0].startswith("::error title=d on made%3A worse::worse: hit")
    assert "%0Arecord " in lines[0]
    assert lines[1] == "::error title=echotrial::50 %25 of%0Ait, failed: why"


def test_summary_says_the_answer_first():
    text = summary(check(trial(**WORSE), baseline()))
    assert text.splitlines()[0] == "## ❌ Accuracy guard: got worse: d on made"
    assert summary(check(trial(), baseline())).startswith("## ✅ Accuracy guard: nothing got worse")


# -- the command ----------------------------------------------------------------------------------

DETECTOR = '''
import numpy as np

def highest_after(batch, *, after: float = 1.0):
    """Wall from the highest sample well behind the interface echo."""
    setup = batch.setup
    first = int(({after}) * 1e-7 * batch.rate_hz)
    begin = int((setup.interface_echo - batch.start_s.min()) * batch.rate_hz) + first
    place = begin + np.abs(batch.samples[:, begin:]).argmax(axis=1)
    wall = setup.thickness_m(batch.start_s + place / batch.rate_hz - setup.interface_echo, mode=2)
    {extra}
    return np.where(wall > 0, wall, np.nan)
'''


def write_detector(path: Path, after: float = 1.0, extra: str = "") -> None:
    path.write_text(DETECTOR.format(after=after, extra=extra), encoding="utf-8")


def guard(folder: Path, *arguments: str) -> int:
    with pytest.raises(SystemExit) as stopped:
        main(["guard", "--baseline", str(folder / "baseline.toml"), "--workers", "0", *arguments])
    return int(str(stopped.value.code))


@pytest.fixture(scope="module")
def corpus(tmp_path_factory: pytest.TempPathFactory) -> str:
    out = tmp_path_factory.mktemp("corpora") / "tube"
    with pytest.raises(SystemExit):
        main(["corpus", "build", "nylon-tube-near-matched", "--records", "300", "--tune", "50",
              "--workers", "1", "--out", str(out)])  # fmt: skip
    return str(out)


@pytest.fixture
def own(tmp_path: Path) -> tuple[str, ...]:
    write_detector(tmp_path / "mine.py")
    return "--plugin", str(tmp_path / "mine.py"), "--detector", "highest-after"


@pytest.fixture
def accepted(tmp_path: Path, corpus: str, own: tuple[str, ...]) -> Path:
    assert guard(tmp_path, corpus, *own, "--accept", "--because", "the first") == 0
    return tmp_path


def test_a_baseline_accepted_a_detector_edited_the_guards_answer(
    accepted: Path, corpus: str, own: tuple[str, ...], capsys, monkeypatch
):
    assert guard(accepted, corpus, *own) == 0
    shown = capsys.readouterr().out
    assert "guard: nothing got worse in 1 comparisons" in shown
    assert max(map(len, shown.splitlines())) <= 100

    write_detector(accepted / "mine.py", extra="wall = wall + 30e-6")
    step = accepted / "step.md"
    monkeypatch.setenv("GITHUB_STEP_SUMMARY", str(step))
    monkeypatch.setenv("GITHUB_ACTIONS", "true")
    files = "--junit", str(accepted / "j.xml"), "--markdown", str(accepted / "m.md")
    assert guard(accepted, corpus, *own, *files) == 1
    shown = capsys.readouterr().out
    assert "guard: got worse: highest-after on nylon-tube-near-matched" in shown
    assert "highest-after: its source changed, its version (0) did not" in shown
    assert "::error title=highest-after on nylon-tube-near-matched" in shown
    assert step.read_text(encoding="utf-8") == (accepted / "m.md").read_text(encoding="utf-8")
    assert junitparser.JUnitXml.fromfile(str(accepted / "j.xml")).failures == 1

    assert guard(accepted, corpus, *own, "--accept", "--because", "on purpose") == 0
    assert guard(accepted, corpus, *own) == 0
    assert 'because = "on purpose"' in (accepted / "baseline.toml").read_text(encoding="utf-8")
    assert read_baseline(accepted / "baseline.toml").verdicts[0]["verdict"] == "worse"


def test_a_baseline_holds_whatever_the_workers(accepted: Path, corpus: str, own, capsys):
    before = (accepted / "baseline.toml").read_text(encoding="utf-8")
    assert guard(accepted, corpus, *own, "--workers", "2") == 0
    assert "every reading of 300 records is identical" in capsys.readouterr().out
    assert (accepted / "baseline.toml").read_text(encoding="utf-8") == before


def test_margins_can_allow_it(accepted: Path, corpus: str, own):
    write_detector(accepted / "mine.py", extra="wall = wall + 1.2e-6")
    assert guard(accepted, corpus, *own) == 1
    margins = accepted / "margins.toml"
    margins.write_text(
        '[[exception]]\ndetector = "highest-after"\nbias = "9 um"\nmedian_error = "9 um"\n'
        'hit = "90 %"\n', encoding="utf-8")  # fmt: skip
    assert guard(accepted, corpus, *own, "--margins", str(margins)) == 0
    margins.write_text('[[exception]]\nbiass = "9 um"\n', encoding="utf-8")
    assert guard(accepted, corpus, *own, "--margins", str(margins)) == 2


def test_a_detector_that_is_gone_is_named(accepted: Path, corpus: str, capsys):
    assert guard(accepted, corpus) == 3
    assert "none of the baseline's detectors (highest-after) is here" in capsys.readouterr().err


def test_a_plugin_that_fails_to_load_is_incomplete(accepted: Path, corpus: str, own, capsys):
    (accepted / "bad.py").write_text("raise ValueError('no')", encoding="utf-8")
    bad = "--plugin", str(accepted / "bad.py")
    assert guard(accepted, corpus, *own, *bad) == 3
    assert "bad.py failed to load" in capsys.readouterr().err
    before = (accepted / "baseline.toml").read_text(encoding="utf-8")
    assert guard(accepted, corpus, *own, *bad, "--accept", "--because", "no") == 3
    assert (accepted / "baseline.toml").read_text(encoding="utf-8") == before


def test_a_crash_is_newly_failing(accepted: Path, corpus: str, own, capsys):
    write_detector(accepted / "mine.py", extra="raise RuntimeError('broken')")
    assert guard(accepted, corpus, *own) == 1
    assert "fails on 300 more records" in capsys.readouterr().out


def test_wrong_questions(tmp_path: Path, corpus: str, own, capsys):
    assert guard(tmp_path, corpus, *own) == 2
    assert "no such baseline" in capsys.readouterr().err
    assert guard(tmp_path, corpus, *own, "--accept") == 2
    assert guard(tmp_path, corpus, *own, "--because", "x") == 2
    assert guard(tmp_path, corpus, *own, "--accept", "--because", " ") == 2
    assert not (tmp_path / "baseline.toml").exists()


# -- pytest ---------------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_fixture_fails_a_test_and_says_why(accepted: Path, corpus: str):
    (accepted / "test_accuracy.py").write_text(
        "def test_accuracy(echotrial_guard):\n"
        f"    echotrial_guard('baseline.toml', corpora=[{corpus!r}], plugins=['mine.py'])\n",
        encoding="utf-8",
    )
    assert ran(accepted).returncode == 0
    write_detector(accepted / "mine.py", extra="wall = wall + 30e-6")
    failed = ran(accepted)
    assert failed.returncode == 1
    assert "echotrial guard: got worse: highest-after on nylon" in failed.stdout
    (accepted / "baseline.toml").unlink()
    assert "no such baseline" in ran(accepted).stdout


def ran(folder: Path) -> subprocess.CompletedProcess[str]:
    """A pytest of its own, with the plugin as installed, or named where it is not yet."""
    installed = any(
        e.value == "echotrial.guard.pytest_plugin" for e in entry_points(group="pytest11")
    )
    plugin = [] if installed else ["-p", "echotrial.guard.pytest_plugin"]
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "--rootdir", str(folder), "-W", "error", *plugin,
         str(folder / "test_accuracy.py")],
        capture_output=True, text=True, check=False, cwd=folder,
    )  # fmt: skip
