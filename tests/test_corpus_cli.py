"""``echotrial corpus``: what it prints, what it writes, how it exits; never a traceback."""

import re
from pathlib import Path

import numpy as np
import pytest
from echotrial.cli import main
from echotrial.corpus.find import opened
from echotrial.corpus.show import marks_us, near_fields, sample, summary
from echotrial.corpus.store import Corpus
from echotrial.errors import WrongQuestion
from echotrial.setup import Medium

from tests.corpus_fixtures import SHEET, setup, train, write_corpus, write_sheet

STEPS = [0.6, 0.9, 1.2, 1.6, 2.0, 2.5, 3.2, np.nan]
KINDS = ["wall"] * 7 + ["dry"]


@pytest.fixture(autouse=True)
def _home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ECHOTRIAL_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)


def _waves() -> "np.ndarray[tuple[int, ...], np.dtype[np.float64]]":
    return np.array([train(d, samples=1024, noise=0.002, seed=i) for i, d in enumerate(STEPS)])


def _bench(tmp_path: Path, text: str = SHEET) -> Path:
    return write_sheet(tmp_path / "bench", _waves(), {"thickness_mm": STEPS, "kind": KINDS}, text)


def _run(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main(["corpus", *map(str, words)])
    said = capsys.readouterr()
    assert "Traceback" not in said.out + said.err
    return int(stop.value.code or 0), said.out, said.err


def test_import_check_and_show(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = _run(capsys, "import", _bench(tmp_path))
    assert (code, "8 prove and 0 tune records of 1024 samples" in out) == (0, True)
    code, out, _ = _run(capsys, "check", "bench")
    assert (code, "nothing wrong, but note" in out) == (0, True)
    assert "record 6: walls outside the set-up's range of 0.5 to 3 mm" in out
    code, out, _ = _run(capsys, "list")
    assert (code, "bench" in out.partition("Corpora here")[2]) == (0, True)
    code, out, _ = _run(capsys, "show", "bench")
    assert code == 0
    assert re.search(r"walls +7, 0.6 / 1.6 / 3.2 mm \(least, median, most\)", out)
    assert re.search(r"1.2 / 3.2 / 6.4 wavelengths", out)
    assert "dry 12.5%, wet tip 0.0%, walls outside the range 14.3%" in out
    assert (tmp_path / "bench.html").is_file()


def test_check_exits_1_on_a_label_error(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    stated = np.array(STEPS)
    stated[[1, 4]] = stated[[4, 1]]
    made = write_corpus(tmp_path / "c", _waves(), {"thickness_mm": stated})
    code, out, _ = _run(capsys, "check", "--records", made.folder)
    assert code == 1
    assert "WRONG echo spacing: 2 records: 1, 4" in out
    assert re.search(r"^ +1\n +4$", out, flags=re.M)


def test_check_exits_1_on_damage(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    made = write_corpus(tmp_path / "c", _waves(), {"thickness_mm": STEPS})
    with (made.folder / "waveforms.npy").open("r+b") as file:
        file.seek(3000)
        file.write(b"damage")
    code, out, _ = _run(capsys, "check", made.folder)
    assert (code, "WRONG checksum" in out) == (1, True)


def test_inches_are_shown_in_inches(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    sheet = _bench(tmp_path, SHEET.replace('["0.5 mm", "3 mm"]', '["0.02 in", "0.12 in"]'))
    _run(capsys, "import", sheet)
    _, out, _ = _run(capsys, "show", "bench", "--no-page")
    assert "wall range  0.02 to 0.12 in" in out
    assert "0.02362 / 0.06299 / 0.126 in (least, median, most)" in out


def test_build_and_build_again(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = _run(
        capsys, "build", "nylon-tube-near-matched", "--records", 6, "--tune", 2, "--out", "c",
        "--workers", 2,
    )  # fmt: skip
    assert (code, err) == (0, "")
    assert "6 prove and 2 tune records" in out
    assert len(Corpus.open(tmp_path / "c")) == 8
    again, out, _ = _run(
        capsys, "build", "nylon-tube-near-matched", "--records", 6, "--tune", 2, "--out", "c"
    )
    assert again == 0
    code, _, err = _run(capsys, "build", "nylon-tube-near-matched", "--records", 9, "--out", "c")
    assert (code, "holds another corpus" in err) == (2, True)


def test_a_plugin_that_fails_to_load_is_told_with_exit_3(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "broken.py").write_text("raise SystemExit('no')")
    code, out, err = _run(capsys, "list", "--plugin", tmp_path / "broken.py")
    assert (code, "broken.py failed to load: SystemExit: no" in err) == (3, True)
    assert "nylon-tube-near-matched" in out


def test_fetch_without_a_network_exits_3(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NO_PROXY", "127.0.0.1")
    code, _, err = _run(capsys, "fetch", "aluminium-block-contact", "--from", "http://127.0.0.1:9")
    assert (code, "Tried: http://127.0.0.1:9/ndtatbristol/" in err) == (3, True)
    assert "What to do:" in err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["import", "none.toml"], "none.toml: no such file"),
        (["check", "none"], "no corpus 'none': no such folder"),
        (["show", "none"], "no corpus 'none'"),
        (["build", "none"], "no spec 'none'"),
        (["build", "none.toml"], "none.toml"),
        (["build", "x", "--size", "run", "--records", "5"], "keep one of them"),
        (["build", "nylon-tube-near-matched", "--size", "huge"], "size 'huge'"),
        (["fetch"], "name a recorded set"),
        (["fetch", "aluminium"], "no recorded set 'aluminium'"),
        (["check"], "Missing argument"),
    ],
)
def test_a_wrong_question_exits_2(
    capsys: pytest.CaptureFixture[str], words: list[str], says: str
) -> None:
    code, _, err = _run(capsys, *words)
    assert code == 2
    assert says in err


# -- the page -------------------------------------------------------------------------------------


def test_the_page_needs_no_network(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_corpus(tmp_path / "c", _waves(), {"thickness_mm": STEPS, "kind": KINDS})
    code, _, _ = _run(capsys, "show", "c", "--out", "page.html", "--record", 2, "--record", 7)
    text = (tmp_path / "page.html").read_text(encoding="utf-8")
    assert code == 0
    assert not re.search(r"<(script|link|img)[^>]+(src|href)=", text)
    assert "record 2: 1.2 mm = 2.4 wavelengths" in text
    assert "record 7: dry" in text
    assert "record 3:" not in text
    code, _, err = _run(capsys, "show", "c", "--record", 8)
    assert (code, "made has records 0 to 7" in err) == (2, True)


def test_a_name_cannot_smuggle_markup(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = SHEET.replace('name = "bench"', 'name = "bench"\nabout = "<script>alert(1)</script>"')
    _run(capsys, "import", _bench(tmp_path, text))
    _run(capsys, "show", "bench")
    assert "<script>alert(1)" not in (tmp_path / "bench.html").read_text(encoding="utf-8")


def test_samples_go_from_thin_to_thick_and_show_every_kind(tmp_path: Path) -> None:
    made = write_corpus(tmp_path / "c", _waves(), {"thickness_mm": STEPS, "kind": KINDS})
    assert sample(made, 4) == [0, 3, 6, 7]
    assert sample(made, 100) == list(range(8))


def test_marks_are_the_truth_or_where_it_puts_them(tmp_path: Path) -> None:
    stated = {"thickness_mm": [1.0, 1.0, np.nan], "interface_us": [2.21, np.nan, 2.22],
              "back_wall_us": [[2.6, 3.0], [], []],
              "back_wall_stands": [[True, False], [], []]}  # fmt: skip
    made = write_corpus(tmp_path / "c", _waves()[:3], stated)
    assert marks_us(made, 0) == ([2.21], [2.6], [3.0], True)
    found = marks_us(made, 1)
    assert (found.interface, found.stated) == ([pytest.approx(2.2)], False)
    assert found.echoes[:3] == pytest.approx([2.6, 3.0, 3.4])
    assert marks_us(made, 2) == ([2.22], [], [], True)
    contact = write_corpus(
        tmp_path / "d", _waves()[:1], {"thickness_mm": [1.0]},
        made_of=setup(mode=1, interface_echo=None), known={"start_us": [0.0]},
    )  # fmt: skip
    assert marks_us(contact, 0).echoes[:2] == pytest.approx([0.4, 0.8])
    assert marks_us(contact, 0).interface == []  # time 0 is no echo
    told = write_corpus(
        tmp_path / "e", _waves()[:1], {"thickness_mm": [1.0], "back_wall_us": [[0.7, 1.1]]},
        made_of=setup(mode=1, interface_echo=None), known={"start_us": [0.0]},
    )  # fmt: skip
    assert marks_us(told, 0) == ([], [0.7, 1.1], [], True)


def test_figures_of_a_corpus(tmp_path: Path) -> None:
    waves = _waves()
    waves[2] = np.clip(3 * waves[2], -1, 1)
    made = write_corpus(
        tmp_path / "c", waves,
        {"thickness_mm": STEPS, "kind": KINDS, "snr_db": np.arange(8.0) + 30},
        prove=6,
    )  # fmt: skip
    found = summary(made)
    assert (found.records, found.prove, found.tune, found.walls) == (8, 6, 2, 7)
    assert found.wall_m == pytest.approx((0.6e-3, 1.6e-3, 3.2e-3))
    assert found.wavelengths == pytest.approx((1.2, 3.2, 6.4))
    assert found.snr_db == pytest.approx((30.35, 33.5, 36.65))
    assert np.isnan(found.echo_snr_db).all()
    assert (found.clipped, found.dry, found.outside) == (1 / 8, 1 / 8, pytest.approx(1 / 7))


def test_near_field_length_of_a_3_mm_radius_at_15_mhz_in_polystyrene() -> None:
    """a^2 / lambda = 57 mm (derived); with the path of S = sum z lambda / a^2 (Papadakis)."""
    known = setup(
        centre_frequency=15e6,
        velocity=5900.0,
        element_diameter=6e-3,
        delay_line=Medium(material="polystyrene", velocity=2350.0, length=57.45e-3 / 2),
    )
    assert near_fields(known, 0.0) == pytest.approx(1.0, abs=1e-3)
    # steel: lambda 0.393 mm, 2 x 1 mm of it
    assert near_fields(known, 1e-3) == pytest.approx(1.0 + 2 * 0.3933 / 9, abs=1e-3)
    assert np.isnan(near_fields(known.model_copy(update={"element_diameter": None}), 0.0))


def test_a_corpus_goes_by_the_name_of_its_spec_if_there_is_but_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ECHOTRIAL_HOME", str(tmp_path))
    for made in ("thin-tube-0123456789-run", "tube-0123456789-run"):
        write_corpus(tmp_path / "built" / made, np.stack([train(1.0)]), {"thickness_mm": [1.0]})
    assert opened("tube").folder.name == "tube-0123456789-run"
    with pytest.raises(WrongQuestion, match="no corpus 'tub'"):
        opened("tub")
    write_corpus(
        tmp_path / "built" / "tube-0123456789-smoke",
        np.stack([train(1.0)]),
        {"thickness_mm": [1.0]},
    )
    with pytest.raises(WrongQuestion, match="there are 2; say which: tube-0123456789-run, tube-"):
        opened("tube")
