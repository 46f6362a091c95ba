"""Recordings from a sheet: formats, defaults, and a refusal that helps for what cannot be.

Formats are written by the libraries that define them (scipy, h5py, numpy), read by ours.
"""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pandas as pd
import pytest
import scipy.io
from echotrial.corpus import home
from echotrial.corpus.sheet import envelope_peak_s, import_sheet
from echotrial.corpus.store import Corpus
from echotrial.corpus.truthtable import read_truth
from echotrial.errors import WrongQuestion
from echotrial.hooks import Material
from scipy.io import wavfile
from scipy.signal import gausspulse

from tests.corpus_fixtures import RATE, SHEET, reference_echo, write_sheet

WAVES = np.random.default_rng(3).uniform(-0.9, 0.9, (4, 50))
TRUTH = {"record": range(4), "thickness_mm": [1.0, 1.0, 2.0, np.nan], "thickness_u_mm": 0.002}
RECORDED = Path(__file__).parents[2] / "shared" / "recorded"


@pytest.fixture(autouse=True)
def _home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ECHOTRIAL_HOME", str(tmp_path / "home"))


def _imported(tmp_path: Path, traces: Any = WAVES, truth: Any = TRUTH, text: str = SHEET) -> Corpus:
    return import_sheet(write_sheet(tmp_path / "bench", traces, truth, text), tmp_path / "out")


def test_a_sheet_becomes_a_corpus(tmp_path: Path) -> None:
    made = _imported(tmp_path)
    assert (made.name, made.origin, len(made)) == ("bench", "synthetic", 4)
    assert np.allclose(made.batch().samples, WAVES, atol=1e-7)
    assert made.batch().start_s.tolist() == [2e-6] * 4
    assert made.truth["specimen"].to_list() == ["1 mm", "1 mm", "2 mm", "dry prove"]
    assert made.truth["kind"].to_list() == ["wall", "wall", "wall", "dry"]
    assert made.truth["split"].to_list() == ["prove"] * 4


def test_without_out_it_goes_among_the_users_corpora(tmp_path: Path) -> None:
    text = SHEET.replace('origin = "synthetic"\n', "")
    made = import_sheet(write_sheet(tmp_path / "bench", WAVES, TRUTH, text))
    assert made.origin == "recorded"
    assert made.folder == tmp_path / "home" / "recorded" / "bench"
    assert home.corpora() == home.corpora("recorded") == [made.folder]


# -- formats --------------------------------------------------------------------------------------


def _h5(path: Path) -> None:
    with h5py.File(path, "w") as file:
        file["run/traces"], file["gain"] = WAVES, 12.0


def _mat73(path: Path) -> None:
    with h5py.File(path, "w", userblock_size=512) as file:
        file["traces"], file["time"] = WAVES.T, np.arange(50.0)  # MATLAB writes columns first
        file["#refs#/a"] = np.eye(3)


def _wav(path: Path) -> None:
    wavfile.write(path, 44100, np.float32(WAVES.T))


WRITERS: dict[str, tuple[str, Callable[[Path], Any], str]] = {
    "npy": ("t.npy", lambda p: np.save(p, WAVES), ""),
    "npy by columns": ("t.npy", lambda p: np.save(p, np.asfortranarray(WAVES)), ""),
    "csv": ("t.csv", lambda p: np.savetxt(p, WAVES, delimiter=","), ""),
    "csv with comment": ("t.csv", lambda p: np.savetxt(p, WAVES, delimiter=",", header="V"), ""),
    "csv by spaces": ("t.csv", lambda p: np.savetxt(p, WAVES), ""),
    "csv with decimal commas": (
        "t.csv",
        lambda p: pd.DataFrame(WAVES).to_csv(p, sep=";", decimal=",", header=False, index=False),
        "",
    ),
    "mat 5": (
        "t.mat",
        lambda p: scipy.io.savemat(p, {"traces": WAVES, "other": np.eye(2)}),
        'variable = "traces"',
    ),
    "mat 5, the only array": ("t.mat", lambda p: scipy.io.savemat(p, {"a": WAVES, "f": 1}), ""),
    "mat 7.3": ("t.mat", _mat73, 'variable = "traces"'),
    "mat 7.3, the only array": ("t.mat", _mat73, ""),
    "h5": ("t.h5", _h5, 'dataset = "run/traces"'),
    "h5, the only array": ("t.h5", _h5, ""),
    "wav": ("t.wav", _wav, ""),
}


@pytest.mark.parametrize("kind", WRITERS)
def test_every_format_gives_the_same_samples(tmp_path: Path, kind: str) -> None:
    name, write, more = WRITERS[kind]
    text = SHEET.replace('waveforms = "traces.npy"', f'waveforms = "{name}"\n{more}')
    sheet = write_sheet(tmp_path / "bench", WAVES, TRUTH, text)
    write(tmp_path / "bench" / name)
    made = import_sheet(sheet, tmp_path / "out")
    assert np.allclose(made.batch().samples, WAVES, atol=1e-7)


@pytest.mark.parametrize(
    ("dtype", "full_scale", "stored"),
    [(np.int16, 32767, np.int16), (np.int16, 8192, np.float32), (np.int8, 127, np.float32),
     (np.int32, 2**23, np.float32), (np.float64, 2.5, np.float32)],
)  # fmt: skip
def test_full_scale_is_what_the_sheet_says(
    tmp_path: Path, dtype: type, full_scale: float, stored: type
) -> None:
    traces = (WAVES * full_scale).astype(dtype)
    made = _imported(
        tmp_path, traces, text=SHEET.replace("[setup]", f"full_scale = {full_scale}\n\n[setup]")
    )
    assert made.stored.dtype == stored
    assert np.allclose(made.batch().samples, traces / full_scale, atol=1e-7)


def test_integers_without_full_scale_take_that_of_their_type(tmp_path: Path) -> None:
    made = _imported(tmp_path, (WAVES * 32767).astype(np.int16))
    assert made.stored.dtype == np.int16
    assert np.allclose(made.batch().samples, WAVES, atol=4e-5)


def test_eight_bit_wav_has_its_zero_in_the_middle(tmp_path: Path) -> None:
    text = SHEET.replace("traces.npy", "t.wav")
    sheet = write_sheet(tmp_path / "bench", WAVES, TRUTH, text)
    wavfile.write(
        tmp_path / "bench" / "t.wav", 8000, np.round(WAVES.T * 127 + 128).astype(np.uint8)
    )
    assert np.allclose(import_sheet(sheet, tmp_path / "o").batch().samples, WAVES, atol=0.005)


# -- truth ----------------------------------------------------------------------------------------


def _truth(tmp_path: Path, text: str, n: int = 3) -> pd.DataFrame:
    (tmp_path / "truth.csv").write_text(text, encoding="utf-8")
    return read_truth(tmp_path / "truth.csv", n)


def test_inches_are_read_as_well(tmp_path: Path) -> None:
    found = _truth(tmp_path, "thickness_in,thickness_u_in\n0.040,0.0001\n0.016,0.0001\n,\n")
    assert found["thickness_mm"].to_list() == pytest.approx([1.016, 0.4064, np.nan], nan_ok=True)
    assert found["thickness_u_mm"].to_list()[:2] == pytest.approx([0.00254] * 2)


def test_rows_come_in_the_order_of_the_records(tmp_path: Path) -> None:
    found = _truth(tmp_path, "record,thickness_mm,operator\n2,3.0,c\n0,1.0,a\n1,2.0,b\n")
    assert found["thickness_mm"].to_list() == [1.0, 2.0, 3.0]
    assert found["operator"].to_list() == ["a", "b", "c"]


def test_what_is_not_stated_stays_unknown(tmp_path: Path) -> None:
    found = _truth(tmp_path, "thickness_mm\n1\n2\n3\n")
    assert found["thickness_u_mm"].isna().all()


def test_proven_records_come_first_and_take_their_waveforms_along(tmp_path: Path) -> None:
    truth = TRUTH | {
        "split": ["tune", "tune", "prove", "prove"],
        "start_us": [1.0, 2.0, 3.0, np.nan],
    }
    made = _imported(tmp_path, truth=truth)
    assert made.truth["split"].to_list() == ["prove", "prove", "tune", "tune"]
    assert made.truth["record"].to_list() == [0, 1, 2, 3]
    assert np.allclose(made.batch().samples, WAVES[[2, 3, 0, 1]], atol=1e-7)
    assert made.known["start_us"].to_list() == [3.0, 2.0, 1.0, 2.0]
    assert made.truth["sheet_row"].to_list() == [2, 3, 0, 1]


def test_echo_times_are_lists(tmp_path: Path) -> None:
    found = _truth(tmp_path, "thickness_mm,back_wall_us\n1,2.6 3.0\n2,3.0;3.8\n3,\n")
    assert found["back_wall_us"].to_list() == [[2.6, 3.0], [3.0, 3.8], []]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("thickness_mm\n1\n2\n", "2 rows of truth for 3 waveforms"),
        ("thickness\n1\n2\n3\n", "'thickness' has no unit: name it thickness_mm or thickness_in"),
        ("thicknes_mm\n1\n2\n3\n", "no column thickness_mm .* did you mean 'thicknes_mm'"),
        ("thickness_mm\n1\n-0.4\n3\n", "thickness of -0.4 mm in record 1: a thickness is positive"),
        ("thickness_mm\n1\n0\n3\n", "record 1: a thickness is positive"),
        ("thickness_mm\n1\n1 mm\n3\n", "row 1: '1 mm' is no finite number; the unit stands"),
        ("thickness_mm\n1\ninf\n3\n", "no finite number"),
        ("thickness_mm,thickness_u_mm\n1,0\n2,-1\n3,0\n", "negative thickness_u_mm in record 1"),
        ("thickness_mm,thickness_in\n1,1\n2,2\n3,3\n", "keep one of them"),
        ("record,thickness_mm\n0,1\n1,2\n1,3\n", "from 0 to 2 once; missing: record 2"),
        ("thickness_mm,split\n1,proof\n2,tune\n3,tune\n", "split 'proof': did you mean 'prove'"),
        ("thickness_mm,kind\n1,wall\n,wettip\n3,\n", "kind 'wettip': did you mean 'wet tip'"),
        ("thickness_mm,kind\n1,dry\n2,\n3,\n", "kind 'dry' contradicts the thickness in record 0"),
        (
            "thickness_mm,specimen,split\n1,a,tune\n1,a,prove\n2,b,prove\n",
            "specimen 'a' is in both splits",
        ),
        ("thickness_mm,a,a\n1,2,3\n1,2,3\n1,2,3\n", "column 'a' is there twice"),
    ],
)  # fmt: skip
def test_a_truth_that_cannot_be_is_refused(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(WrongQuestion, match=says):
        _truth(tmp_path, text)


# -- set-up ---------------------------------------------------------------------------------------


def test_the_reference_echo_gives_the_interface_time(tmp_path: Path) -> None:
    text = SHEET.replace('interface_echo = "2.2 us"', 'reference_echo = "reference.npy"')
    sheet = write_sheet(tmp_path / "bench", WAVES, TRUTH, "full_scale = 2.0\n" + text)
    np.save(tmp_path / "bench" / "reference.npy", 2.0 * reference_echo(2.3456).samples)
    found = import_sheet(sheet, tmp_path / "out").setup
    assert found.interface_echo == pytest.approx(2.3456e-6, abs=0.1e-9)
    assert found.reference_echo == reference_echo(2.3456)


def test_the_envelope_peak_of_a_known_pulse() -> None:
    """scipy.signal.gausspulse has its envelope's peak at time 0."""
    from echotrial.setup import Waveform

    time = (np.arange(200) - 77.3) / RATE
    samples = gausspulse(time, fc=10e6, bw=0.6).astype(np.float32)
    assert envelope_peak_s(Waveform(samples, RATE, 1e-6)) == pytest.approx(
        1e-6 + 77.3 / RATE, abs=1e-10
    )


def test_materials_are_looked_up_when_there_is_a_table(tmp_path: Path) -> None:
    text = SHEET.replace('impedance = "40 MRayl"', 'material = "tim"')
    sheet = write_sheet(tmp_path / "bench", WAVES, TRUTH, text)
    table = {"tin": Material("tin", 3300.0, 7300.0, 0.0, 5e6, 1.0, "invented", 0.0)}
    with pytest.raises(WrongQuestion, match="did you mean 'tin'"):
        import_sheet(sheet, tmp_path / "out", materials=table)
    assert not (tmp_path / "out").exists()


# -- bad input ------------------------------------------------------------------------------------


def _without(key: str) -> str:
    return re.sub(rf"^{key} = .*\n", "", SHEET, flags=re.M)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (_without("name"), "name: is required and missing"),
        (_without("velocity"), "setup: velocity: is required and missing"),
        (_without("sample_rate"), "sample_rate: is required and missing"),
        (SHEET.replace('"100 MHz"', "100e6"), "sample_rate: 100000000.0 has no unit"),
        (SHEET.replace('"5000 m/s"', "5000"), "velocity: 5000 has no unit: a velocity"),
        (SHEET.replace('"10 MHz"', '"10 mm"'), "'10 mm' is a length, not a frequency"),
        (SHEET.replace("waveforms", "waveform"), "key 'waveform': did you mean 'waveforms'"),
        (SHEET.replace("velocity =", "velocty ="), "key 'velocty': did you mean 'velocity'"),
        (SHEET.replace("traces.npy", "trace.npy"), "trace.npy: no such file"),
        (SHEET.replace("truth.csv", "truths.csv"), "truths.csv: no such file"),
        (SHEET.replace("traces.npy", "truth.xlsx"), "no such file"),
        (SHEET.replace('"bench"', '"../bench"'), "name"),
        (SHEET.replace('["0.5 mm", "3 mm"]', '["3 mm", "0.5 mm"]'), "thinner wall first"),
        (SHEET + 'reference_echo = "none.npy"\n', "none.npy: no such file"),
        ("name = ", "not valid TOML"),
    ],
)  # fmt: skip
def test_a_sheet_that_cannot_be_is_refused(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(WrongQuestion, match=says):
        _imported(tmp_path, text=text)
    assert not (tmp_path / "out").exists()


def _spoiled(*places: tuple[int, int, float]) -> Any:
    found = WAVES.copy()
    for row, column, value in places:
        found[row, column] = value
    return found


@pytest.mark.parametrize(
    ("traces", "says"),
    [
        (_spoiled((1, 2, np.nan), (3, 0, np.inf)), "NaN or infinite in 2 records: 1, 3;"),
        (WAVES[:3], "4 rows of truth for 3 waveforms"),
        (WAVES.T[:, :4][:6], "4 rows of truth for 6 waveforms.*looks transposed"),
        (np.empty((0, 50)), "no records"),
        (WAVES + 1j, "holds complex128, not numbers"),
        (np.ones((4, 2, 3)), "one row a record"),
        (np.ones((4, 50), np.uint16), "take off the zero level"),
        (np.array([["a"] * 50] * 4), "not numbers"),
    ],
)
def test_waveforms_that_cannot_be_are_refused(tmp_path: Path, traces: Any, says: str) -> None:
    with pytest.raises(WrongQuestion, match=says):
        _imported(tmp_path, traces)
    assert not (tmp_path / "out").exists()


def test_a_pickle_is_never_opened(tmp_path: Path) -> None:
    sheet = write_sheet(tmp_path / "bench", WAVES, TRUTH)
    np.save(tmp_path / "bench" / "traces.npy", np.array([_Bomb()] * 4), allow_pickle=True)
    with pytest.raises(WrongQuestion, match=r"cannot be read as \.npy"):
        import_sheet(sheet, tmp_path / "out")


class _Bomb:
    def __reduce__(self) -> Any:
        return (pytest.fail, ("a pickle was opened",))


@pytest.mark.parametrize(
    ("name", "more", "says"),
    [
        ("t.mat", 'variable = "trace"', "no variable 'trace': did you mean 'traces'"),
        ("t.mat", "", r"say which array.*variable.*traces \(4, 50\), other \(2, 2\)"),
        ("t.h5", 'dataset = "x"', r"no dataset 'x'.*run/traces \(4, 50\)"),
        ("t.csv", "", "row 0, column 0: 'volts' is no number"),
        ("t.wav", "", "cannot be read as .wav"),
        ("t.bin", "", "not a waveform file I can read"),
        ("t.npy", 'variable = "a"\ndataset = "b"', "keep one of them"),
    ],
)
def test_a_file_without_the_waveforms_is_refused(
    tmp_path: Path, name: str, more: str, says: str
) -> None:
    text = SHEET.replace('waveforms = "traces.npy"', f'waveforms = "{name}"\n{more}')
    sheet = write_sheet(tmp_path / "bench", WAVES, TRUTH, text)
    path = tmp_path / "bench" / name
    if path.suffix == ".mat":
        scipy.io.savemat(path, {"traces": WAVES, "other": np.eye(2)})
    elif path.suffix == ".h5":
        _h5(path)
    else:
        path.write_text("volts,volts\n1,2\n")
    with pytest.raises(WrongQuestion, match=says):
        import_sheet(sheet, tmp_path / "out")


# -- recorded -------------------------------------------------------------------------------------


@pytest.mark.skipif(not RECORDED.is_dir(), reason="no ../shared/recorded beside the project")
@pytest.mark.parametrize("name", ["aluminium-block-contact", "aluminium-block-contact-late"])
def test_the_recorded_sheets_are_imported(tmp_path: Path, name: str) -> None:
    made = import_sheet(RECORDED / name / "sheet.toml", tmp_path / "out")
    raw = np.load(RECORDED / name / "traces.npy")
    assert (made.origin, len(made), made.rate_hz) == ("recorded", 64, 25e6)
    assert np.array_equal(made.batch().samples, raw.astype(np.float32))
    assert set(made.truth["thickness_mm"]) == {40.0}
    assert set(made.truth["specimen"]) == {"block"}
