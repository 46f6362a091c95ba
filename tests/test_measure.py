"""Method file, ``calibrate`` and ``measure``: on invented traces whose echoes are single spikes."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from echotrial import host
from echotrial.choose.budget import Sources
from echotrial.choose.method import Method, read_method, write_method
from echotrial.choose.traces import read_traces
from echotrial.cli import main
from echotrial.errors import WrongQuestion
from echotrial.scores import ConfidenceMap
from echotrial.setup import Setup, Waveform

SPIKES = '''
import numpy as np
from echotrial.ascan import Readings

def spikes(batch, *, level: float = 0.1):
    """From the highest spike to the next one behind it; invented, no detector of echoes."""
    first = batch.samples.argmax(axis=1)
    rest = np.where(np.arange(batch.samples.shape[1]) <= first[:, None], 0, batch.samples)
    second = rest.argmax(axis=1)
    found = rest.max(axis=1) > level
    interval = (second - first) / batch.rate_hz
    wall = np.where(found, batch.setup.thickness_m(interval, mode=2), np.nan)
    return Readings(wall, confidence=np.where(found, rest.max(axis=1), np.nan))
'''
RATE = 1e9
SETUP = Setup(
    centre_frequency=15e6, velocity=5900.0, velocity_uncertainty=15.0, wall_range=(0.5e-3, 3e-3),
    interface_echo=0.1e-6,
    reference_echo=Waveform(np.array([0, 1, 0], dtype=np.float32), RATE, 0.099e-6),
)  # fmt: skip
SOURCES = Sources(0.6e-9, 0.5e-6, 15 / 5900, 2.0, 1.8e-4)


@pytest.fixture
def plugin(tmp_path: Path) -> Path:
    path = tmp_path / "spikes.py"
    path.write_text(SPIKES, encoding="utf-8")
    return path


@pytest.fixture
def method(plugin: Path) -> Method:
    detector = host.load([plugin], use_entry_points=False).detectors["spikes"]
    return Method(
        "invented", SETUP, RATE, "spikes", detector.version, detector.source_digest,
        {"level": 0.2}, 2, tuple((w, SOURCES) for w in (0.5e-3, 1.75e-3, 3e-3)),
        ConfidenceMap((0.0, 1.0), (0.0, 0.9), 100), None, {"sentence": "invented for a test"},
    )  # fmt: skip


@pytest.fixture
def file(method: Method, tmp_path: Path) -> Path:
    path = tmp_path / "method.toml"
    write_method(method, path)
    return path


def spikes(walls_mm, velocity=5750.0, zero_s=20e-9, height=0.5, echo=1) -> np.ndarray:
    samples = np.zeros((len(walls_mm), 3000), dtype=np.float32)
    samples[:, 100] = 1.0
    for row, wall in enumerate(walls_mm):
        if np.isfinite(wall):
            interval = echo * 2e-3 * wall / velocity + zero_s
            samples[row, 100 + round(interval * RATE)] = height
    return samples


def recorded(folder: Path, walls_mm, samples, rate="1000 MHz", more="") -> Path:
    folder.mkdir()
    np.save(folder / "traces.npy", samples)
    names = [f"block {w}" for w in walls_mm]
    pd.DataFrame({
        "record": range(len(walls_mm)), "thickness_mm": walls_mm, "thickness_u_mm": 0.001,
        "specimen": names,
    }).to_csv(folder / "truth.csv", index=False)  # fmt: skip
    sheet = folder / "sheet.toml"
    sheet.write_text(
        f'name = "blocks"\norigin = "synthetic"\nwaveforms = "traces.npy"\ntruth = "truth.csv"\n'
        f'sample_rate = "{rate}"\nfull_scale = 1.0\n[setup]\ncentre_frequency = "15 MHz"\n'
        f'velocity = "5900 m/s"\ninterface_echo = "0.1 us"\n{more}\n'
        'wall_range = ["0.5 mm", "3 mm"]\n',
        encoding="utf-8",
    )
    return sheet


def echotrial(*arguments) -> int:
    with pytest.raises(SystemExit) as stopped:
        main([str(a) for a in arguments])
    return int(str(stopped.value.code))


def corpus_of(folder: Path, sheet: Path) -> Path:
    assert echotrial("corpus", "import", sheet, "--out", folder) == 0
    return folder


def test_method_file_reads_back_whole(method, file):
    again = read_method(file)
    assert again == method
    assert again.setup.digest() == method.setup.digest()


def test_two_blocks_then_the_right_walls(file, plugin, tmp_path, capsys):
    blocks = [0.5, 0.5, 3.0, 3.0]
    corpus = corpus_of(tmp_path / "c", recorded(tmp_path / "r", blocks, spikes(blocks)))
    assert echotrial("calibrate", file, corpus, "--plugin", plugin) == 0
    said = capsys.readouterr().out
    assert "two-point" in said
    assert "holds from 0.5 to 3 mm" in said
    calibrated = file.with_name("method-calibrated.toml")
    found = read_method(calibrated).calibration
    assert found.velocity == pytest.approx(5750, rel=1e-3)
    assert found.zero_offset == pytest.approx(20e-9, abs=1e-9)
    np.save(tmp_path / "new.npy", spikes([1.2, np.nan, 2.5, 3.4]))
    out = tmp_path / "read.csv"
    assert echotrial("measure", calibrated, tmp_path / "new.npy", "--sample-rate", "1000 MHz",
                     "--plugin", plugin, "--out", out) == 0  # fmt: skip
    table = pd.read_csv(out)
    assert list(table) == ["record", "thickness_mm", "U_mm", "confidence", "reason"]
    np.testing.assert_allclose(table["thickness_mm"], [1.2, np.nan, 2.5, 3.4], atol=3e-3)
    assert (table["U_mm"].dropna() > 3e-3).all()
    assert table["confidence"][0] == pytest.approx(0.45)
    assert table["reason"].tolist()[1:] == ["unstated", np.nan, "beyond the calibrated range"]
    assert "qualifies no procedure" in capsys.readouterr().err


def test_a_doubled_thick_sample_is_refused_with_the_reason(file, plugin, tmp_path, capsys):
    samples = np.concatenate([spikes([0.5, 1.5]), spikes([2.4], echo=2)])
    sheet = recorded(tmp_path / "r", [0.5, 1.5, 2.4], samples)
    corpus = corpus_of(tmp_path / "c", sheet)
    assert echotrial("calibrate", file, corpus, "--plugin", plugin) == 1
    assert "refused block 2.4: 1 of 1 readings are near 2 x 2.4 mm" in capsys.readouterr().err
    assert read_method(file.with_name("method-calibrated.toml")).calibration.samples == 2


def test_samples_off_the_line_write_nothing(file, plugin, tmp_path, capsys):
    blocks = [0.5, 1.0, 2.0, 3.0]
    samples = spikes(blocks)
    samples[1] = np.roll(spikes([1.0], zero_s=40e-9)[0], 0)
    corpus = corpus_of(tmp_path / "c", recorded(tmp_path / "r", blocks, samples))
    assert echotrial("calibrate", file, corpus, "--plugin", plugin) == 1
    assert "do not lie on a straight line" in capsys.readouterr().err
    assert not file.with_name("method-calibrated.toml").exists()


@pytest.mark.parametrize(
    ("rate", "more", "said"),
    [
        ("500 MHz", "", "sampled at 500 MHz"),
        ("1000 MHz", "mode = 3", "proven in mode 2"),
    ],
)
def test_recordings_made_otherwise_are_refused(file, plugin, tmp_path, capsys, rate, more, said):
    sheet = recorded(tmp_path / "r", [1.0], spikes([1.0]), rate, more)
    assert echotrial("measure", file, sheet, "--plugin", plugin) == 2
    assert said in capsys.readouterr().err


def test_no_uncertainty_is_stated_without_a_calibration(file, plugin, tmp_path, capsys):
    np.save(tmp_path / "new.npy", spikes([1.2]))
    assert echotrial("measure", file, tmp_path / "new.npy", "--sample-rate", "1000 MHz",
                     "--plugin", plugin) == 0  # fmt: skip
    said = capsys.readouterr()
    assert said.out.splitlines()[1].split(",")[2] == ""
    assert "not calibrated" in said.err


def test_another_probe_is_refused(file, plugin, tmp_path, capsys):
    sheet = recorded(tmp_path / "r", [1.0], spikes([1.0]))
    text = sheet.read_text(encoding="utf-8").replace("15 MHz", "10 MHz")
    sheet.write_text(text, encoding="utf-8")
    assert echotrial("measure", file, sheet, "--plugin", plugin) == 2
    assert "centre_frequency of the recordings is 10 MHz" in capsys.readouterr().err


def test_a_bare_file_has_to_say_its_rate(file, plugin, tmp_path, capsys):
    np.save(tmp_path / "new.npy", spikes([1.2]))
    assert echotrial("measure", file, tmp_path / "new.npy", "--plugin", plugin) == 2
    assert "--sample-rate" in capsys.readouterr().err


def test_a_detector_that_changed_is_refused(file, plugin, tmp_path, capsys):
    plugin.write_text(SPIKES + "\n# better now\n", encoding="utf-8")
    np.save(tmp_path / "new.npy", spikes([1.2]))
    assert echotrial("measure", file, tmp_path / "new.npy", "--sample-rate", "1000 MHz",
                     "--plugin", plugin) == 2  # fmt: skip
    assert "its evidence does not hold" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("format = 1", "format = 2"), "this version reads format 1"),
        (("[sampling]", "[sampled]"), "no method file"),
        (("time_s", "tim_s"), "damaged"),
    ],
)
def test_files_that_are_no_method_are_refused(file, change, said):
    file.write_text(file.read_text(encoding="utf-8").replace(*change), encoding="utf-8")
    with pytest.raises(WrongQuestion, match=said):
        read_method(file)


def test_expanded_uncertainty_without_calibration_is_that_of_the_setup(method):
    """u(v)/v = 15/5900 at 3 mm is 7.6 um alone; with 0.6 ns (1.8 um) and the rest, 2 u > 15 um."""
    thick = method.budgets()[-1]
    assert thick.expanded_m == pytest.approx(2 * np.sqrt(7.63**2 + 1.77**2 + 1.2) * 1e-6, rel=0.02)


def test_traces_of_a_corpus_folder(file, plugin, tmp_path):
    corpus = corpus_of(tmp_path / "c", recorded(tmp_path / "r", [1.0], spikes([1.0])))
    assert len(read_traces(corpus, read_method(file))) == 1
