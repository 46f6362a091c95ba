"""``echotrial run`` as a user meets it: tables, exit codes, messages without a traceback."""

import json
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest
from echotrial import open_trial
from echotrial.cli import main
from echotrial.cli.run import settings_from
from echotrial.errors import WrongQuestion

TWELVE_LINES = '''
import numpy as np

def latest_peak(batch, *, level: float = 0.3):
    """Wall from the last sample above a level."""
    setup = batch.setup
    above = np.abs(batch.samples) > level
    last = batch.samples.shape[1] - 1 - above[:, ::-1].argmax(axis=1)
    time = batch.start_s + last / batch.rate_hz - (setup.interface_echo or 0.0)
    wall = setup.thickness_m(time, mode=2)
    return np.where(above.any(axis=1) & (wall > 0), wall, np.nan)
'''


def run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as stopped:
        main(["run", *arguments])
    return int(str(stopped.value.code))


@pytest.fixture(scope="module")
def corpus(tmp_path_factory: pytest.TempPathFactory) -> str:
    out = tmp_path_factory.mktemp("corpora") / "tube"
    with pytest.raises(SystemExit):
        main(["corpus", "build", "stainless-tube-20mhz", "--records", "40", "--tune", "20",
              "--workers", "1", "--out", str(out)])  # fmt: skip
    return str(out)


@pytest.fixture
def plugin(tmp_path: Path) -> str:
    path = tmp_path / "latest_peak.py"
    path.write_text(TWELVE_LINES, encoding="utf-8")
    return str(path)


def test_a_detector_in_a_file_stands_in_the_same_table(
    corpus: str, plugin: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "t"
    assert run(corpus, "--plugin", plugin, "--detector", "latest-peak", "--detector", "threshold",
               "--workers", "0", "--out", str(out)) == 0  # fmt: skip
    shown = capsys.readouterr().out
    assert "latest-peak" in shown
    assert "threshold" in shown
    assert "not enough records to say" in shown
    assert "qualifies no procedure" in shown
    assert max(map(len, shown.splitlines())) <= 100
    assert "\x1b[" not in shown
    assert sorted(p.name for p in out.iterdir()) >= ["readings.parquet", "records.parquet"]


def test_a_broken_plugin_is_named_and_the_rest_runs(
    corpus: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = tmp_path / "bad.py"
    bad.write_text("raise SystemExit(0)", encoding="utf-8")
    assert run(corpus, "--plugin", str(bad), "--detector", "threshold", "--workers", "0",
               "--out", str(tmp_path / "t")) == 3  # fmt: skip
    said = capsys.readouterr()
    assert "bad.py failed to load: SystemExit" in said.err
    assert "threshold" in said.out


def test_a_detector_that_raises_is_a_row_in_the_table(
    corpus: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bad = tmp_path / "raises.py"
    bad.write_text("def raises(batch):\n    raise KeyError('no such echo')\n", encoding="utf-8")
    out = tmp_path / "t"
    assert run(corpus, "--plugin", str(bad), "--detector", "raises", "--workers", "0",
               "--out", str(out)) == 0  # fmt: skip
    assert "crashed" in capsys.readouterr().out
    assert "no such echo" in (out / "trial.toml").read_text(encoding="utf-8")


def test_a_corpus_at_an_address_reads_as_the_folder_does(
    corpus: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("fsspec", reason="comes with the cluster extra")
    address = Path(corpus).as_uri()
    common = ("--detector", "threshold", "--workers", "0", "--out")
    assert run(corpus, *common, str(tmp_path / "here")) == 0
    assert run(address, *common, str(tmp_path / "there")) == 0
    here, there = open_trial(tmp_path / "here"), open_trial(tmp_path / "there")
    assert here.readings.equals(there.readings)
    assert there.info["corpora"][0]["folder"] == address
    capsys.readouterr()
    for trial in (here, there):  # a record's waveform comes from where the corpus is
        with pytest.raises(SystemExit) as stopped:
            main(["show", str(trial.folder), "3", "--json"])
        assert not stopped.value.code
        assert json.loads(capsys.readouterr().out)["missing"] == ""


@pytest.mark.parametrize("address", ["file:///nowhere/at/all", "nosuch://bucket/corpus"])
def test_an_address_that_gives_nothing_is_exit_3(
    address: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("fsspec", reason="comes with the cluster extra")
    assert run(address, "--detector", "threshold", "--out", str(tmp_path / "t")) == 3
    assert f"{address}: cannot be fetched" in capsys.readouterr().err
    assert not (tmp_path / "t").exists()


def test_json_for_machines(corpus: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(corpus, "--detector", "threshold", "--json", "--workers", "0",
               "--out", str(tmp_path / "t")) == 0  # fmt: skip
    found = json.loads(capsys.readouterr().out)
    assert found["corpora"][0]["corpus"] == "stainless-tube-20mhz"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["no-such-corpus"], "no corpus 'no-such-corpus'"),
        (["stainless-tube-20mz"], "did you mean 'stainless-tube-20mhz'?"),
        (["{corpus}", "--detector", "treshold"], "did you mean 'threshold'?"),
        (["{corpus}", "--set", "threshold.mode"], "DETECTOR.SETTING=VALUE"),
        (["{corpus}", "--set", "threshold.mode=9"], "mode"),
        (["{corpus}", "--set", "threshold.lewel=1"], "lewel"),
        (["{corpus}", "--no-entry-points"], "no detector"),
        (["{corpus}", "--size", "huge", "stainless-tube-20mhz"], "huge"),
        (["{corpus}", "{corpus}"], "two corpora"),
    ],
)
def test_a_wrong_question_gets_the_value_the_rule_and_the_fix(
    arguments: list[str],
    words: str,
    corpus: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    given = [a.format(corpus=corpus) for a in arguments]
    out = tmp_path / "t"
    assert run(*given, "--workers", "0", "--out", str(out)) == 2
    said = capsys.readouterr().err
    assert words in said
    assert "Traceback" not in said
    assert not out.exists()


def test_a_damaged_corpus_is_refused_with_exit_1(
    corpus: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import shutil

    broken = tmp_path / "broken"
    shutil.copytree(corpus, broken)
    waves = np.load(broken / "waveforms.npy", mmap_mode="r+")
    waves[3, 5] += 1
    waves.flush()
    assert run(str(broken), "--workers", "0", "--out", str(tmp_path / "t")) == 1
    assert "checksum" in capsys.readouterr().err
    assert not (tmp_path / "t").exists()


def test_settings_are_read_as_what_they_look_like() -> None:
    found = settings_from(["a.mode=3", "a.polarity=auto", "b.on=true", "b.level=0.5"])
    assert found == {"a": {"mode": 3, "polarity": "auto"}, "b": {"on": True, "level": 0.5}}
    with pytest.raises(WrongQuestion):
        settings_from(["mode=3"])


def test_a_page_that_cannot_be_laid_out_does_not_end_the_trial(
    corpus: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("broken on purpose")

    out = tmp_path / "trial"
    with monkeypatch.context() as patched:
        patched.setattr("echotrial.report.page.Report.hear", broken)
        assert run(corpus, "--detector", "threshold", "--out", str(out), "--workers", "0") == 0
    assert "threshold" in capsys.readouterr().out
    assert open_trial(out).complete
    name = open_trial(out).info["corpora"][0]["name"]
    assert f"{name}</h2>" in (out / "report.html").read_text(encoding="utf-8")


def test_a_large_trial_is_shown_at_its_end(
    corpus: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(import_module("echotrial.trial.conduct"), "AT_HAND", 30)
    out = tmp_path / "trial"
    assert run(corpus, "--detector", "threshold", "--out", str(out), "--workers", "0") == 0
    assert "threshold" in capsys.readouterr().out
    name = open_trial(out).info["corpora"][0]["name"]
    assert f"{name}</h2>" in (out / "report.html").read_text(encoding="utf-8")
