"""The corpus check finds what is planted, names the records, and leaves sound ones alone."""

import hashlib
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from echotrial.corpus.check import Finding, check, clipped, duplicates
from echotrial.corpus.sheet import import_sheet
from echotrial.corpus.spacing import spacings
from echotrial.corpus.store import Corpus

from tests.corpus_fixtures import setup, train, write_corpus
from tests.timedomain.exam import make_exam, write_sheet

RECORDED = Path(__file__).parents[2] / "shared" / "recorded"
STEPS = [0.6, 0.9, 1.2, 1.6, 2.0, 2.5]


@pytest.fixture(autouse=True)
def _home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ECHOTRIAL_HOME", str(tmp_path / "home"))


def _steps(
    tmp_path: Path, stated: list[float] | None = None, decay: float = 0.8, **truth: Any
) -> Corpus:
    """Five traces of each step, with the thickness as stated."""
    true = np.repeat(STEPS, 5)
    waves = np.array(
        [train(d, samples=1024, decay=decay, noise=0.003, seed=i) for i, d in enumerate(true)]
    )
    columns = {"thickness_mm": true if stated is None else stated, **truth}
    return write_corpus(tmp_path / "steps", waves, columns)


def _found(findings: list[Finding]) -> dict[str, tuple[int, ...]]:
    return {f.rule: f.records for f in findings}


def test_a_sound_corpus_has_nothing(tmp_path: Path) -> None:
    made = _steps(tmp_path)
    assert check(made) == []
    assert set(spacings(made).verdict) == {"agrees"}
    assert np.allclose(spacings(made).thickness_m * 1e3, np.repeat(STEPS, 5), rtol=0.04)


def test_two_planted_label_errors_are_named(tmp_path: Path) -> None:
    stated = np.repeat(STEPS, 5)
    stated[[7, 22]] = stated[[22, 7]]
    findings = check(_steps(tmp_path, stated.tolist()))
    assert _found(findings) == {"echo spacing": (7, 22)}
    assert findings[0].wrong
    assert "7: stated 2 mm, spaced as about 0.9" in findings[0].says


def test_a_whole_specimen_with_a_wrong_label_is_named(tmp_path: Path) -> None:
    stated = np.repeat(STEPS, 5)
    stated[10:15] = 1.8
    specimen = [f"step {i}" for i in range(6) for _ in range(5)]
    made = _steps(tmp_path, stated.tolist(), specimen=specimen)
    assert _found(check(made)) == {"echo spacing": (10, 11, 12, 13, 14)}


@pytest.mark.parametrize(("ratio", "decay"), [(0.5, 0.8), (0.5, 0.4), (2.0, 0.4)])
def test_half_and_double_are_no_excuse(tmp_path: Path, ratio: float, decay: float) -> None:
    """Double is named where multiples fade fast; else a flaw half-way would look the same."""
    stated = np.repeat(STEPS, 5)
    stated[12] *= ratio
    assert _found(check(_steps(tmp_path, stated.tolist(), decay)))["echo spacing"] == (12,)


def test_one_lonely_echo_is_measured_from_the_interface(tmp_path: Path) -> None:
    true = np.repeat([0.9, 1.6, 2.5], 4)
    waves = np.array([train(d, decay=0.02, noise=0.002, seed=i) for i, d in enumerate(true)])
    stated = true.copy()
    stated[5] = 2.5
    assert _found(check(write_corpus(tmp_path / "c", waves, {"thickness_mm": stated}))) == {
        "echo spacing": (5,)
    }


def test_noise_is_never_a_contradiction(tmp_path: Path) -> None:
    waves = np.random.default_rng(0).standard_normal((60, 1024)) / 5
    made = write_corpus(tmp_path / "c", waves, {"thickness_mm": np.repeat(STEPS, 10)})
    assert set(spacings(made).verdict) == {"cannot be seen"}


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["metal", "nylon-mismatched"])
def test_labels_of_thin_walls_by_other_means(tmp_path: Path, kind: str) -> None:
    """Lattice records: right labels raise no alarm, two planted errors are found."""
    batch, truth = make_exam(kind, 120, seed=4)
    made = import_sheet(write_sheet(tmp_path / "a", kind, batch, truth), tmp_path / "ca")
    assert "echo spacing" not in _found(check(made))
    walls = truth["wall_wavelengths"][truth["echo_snr_db"] > 25]
    one = int(walls.sub(1.6).abs().idxmin())
    other = int(walls.sub(2.4).abs().idxmin())
    rows = [one, other]
    truth.loc[rows, "thickness_mm"] = truth.loc[rows[::-1], "thickness_mm"].to_numpy()
    truth["specimen"] = [str(i) for i in range(len(truth))]
    made = import_sheet(write_sheet(tmp_path / "b", kind, batch, truth), tmp_path / "cb")
    assert _found(check(made))["echo spacing"] == tuple(sorted(rows))


# -- waveforms ------------------------------------------------------------------------------------


def test_dead_duplicate_and_clipped_traces_are_named(tmp_path: Path) -> None:
    waves = np.array([train(d, samples=1024, noise=0.003, seed=i) for i, d in enumerate(STEPS * 3)])
    waves[3] = 0.0
    waves[11] = 1e-5
    waves[14] = waves[2]
    waves[8] = np.clip(waves[8] * 3, -1, 1)
    made = write_corpus(tmp_path / "c", waves, {"thickness_mm": STEPS * 3})
    findings = check(made)
    assert _found(findings) == {"dead": (3, 11), "duplicate": (2, 14), "clipped": (8,)}
    assert {f.rule for f in findings if f.wrong} == {"dead", "duplicate"}


def test_records_of_one_digest_are_compared_in_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a digest that is the same for all, equal records are still told from others."""
    waves = np.random.default_rng(3).standard_normal((6, 64)) / 5
    waves[4] = waves[1]
    made = write_corpus(tmp_path / "c", waves, {"thickness_mm": STEPS})
    blind = SimpleNamespace(blake2b=lambda data, digest_size: hashlib.blake2b(b"", digest_size=8))
    monkeypatch.setattr("echotrial.corpus.check.hashlib", blind)
    assert duplicates(made) == [[1, 4]]


def _slow_clipped(row: list[float], full: float) -> bool:
    run = 2 if full >= 0.98 else 3
    return any(
        all(row[i] == row[i + k] and abs(row[i]) >= 0.98 * full for k in range(run))
        for i in range(len(row) - run + 1)
    )


@pytest.mark.parametrize("full", [1.0, 0.6])
def test_clipping_against_its_slow_twin(full: float) -> None:
    draw = np.random.default_rng(5)
    rows = (full * np.clip(draw.normal(0, 1.5, (300, 12)).round(1), -1, 1)).astype(np.float32)
    wanted = [_slow_clipped(row.tolist(), float(np.float32(full))) for row in rows]
    watched = np.ones(rows.shape, bool)
    assert 0 < sum(wanted) < 300
    assert clipped(rows, float(np.float32(full)), watched).tolist() == wanted
    assert not clipped(rows, full, ~watched).any()


def test_a_saturated_excitation_is_not_a_clipped_echo(tmp_path: Path) -> None:
    waves = np.array([train(d, samples=400, noise=0.003, seed=i) for i, d in enumerate(STEPS)])
    waves = np.hstack([np.ones((6, 200)), np.zeros((6, 100)), waves])
    made = write_corpus(
        tmp_path / "c", waves, {"thickness_mm": STEPS}, known={"start_us": [-1.0] * 6}
    )
    assert "clipped" not in _found(check(made))


def test_walls_outside_the_range_are_told(tmp_path: Path) -> None:
    waves = np.array([train(d, samples=1024) for d in (0.45, 1.0, 3.2, np.nan)])
    made = write_corpus(
        tmp_path / "c", waves, {"thickness_mm": [0.45, 1.0, 3.2, np.nan]},
        made_of=setup(length_unit="in"),
    )  # fmt: skip
    outside = next(f for f in check(made) if f.rule == "outside the range")
    assert outside.records == (0, 2)
    assert not outside.wrong
    assert "0.01969 to 0.1181 in" in outside.says


def test_a_damaged_corpus_is_said_to_be_so(tmp_path: Path) -> None:
    made = _steps(tmp_path)
    with (made.folder / "waveforms.npy").open("r+b") as file:
        file.seek(5000)
        file.write(b"\0\0\0\0")
    findings = check(Corpus.open(made.folder))
    assert [(f.rule, f.wrong) for f in findings] == [("checksum", True)]


# -- recorded -------------------------------------------------------------------------------------


@pytest.mark.skipif(not RECORDED.is_dir(), reason="no ../shared/recorded beside the project")
def test_the_recorded_block_raises_no_false_alarm(tmp_path: Path) -> None:
    """Its velocity is off by 1.5 %, a notch echoes half-way: neither makes a label wrong."""
    sound = import_sheet(RECORDED / "aluminium-block-contact" / "sheet.toml", tmp_path / "1")
    assert check(sound) == []
    assert np.median(spacings(sound).thickness_m) == pytest.approx(39.4e-3, abs=0.1e-3)
    late = import_sheet(RECORDED / "aluminium-block-contact-late" / "sheet.toml", tmp_path / "2")
    assert [(f.rule, f.wrong) for f in check(late)] == [("clipped", False)]


@pytest.mark.skipif(not RECORDED.is_dir(), reason="no ../shared/recorded beside the project")
def test_wrong_labels_on_the_recorded_block_are_found(tmp_path: Path) -> None:
    made = import_sheet(RECORDED / "aluminium-block-contact" / "sheet.toml", tmp_path / "1")
    made.truth.loc[[7, 31], "thickness_mm"] = [30.0, 50.0]
    assert _found(check(made)) == {"echo spacing": (7, 31)}
