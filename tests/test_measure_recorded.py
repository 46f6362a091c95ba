"""``calibrate`` and ``measure`` on imported recordings of an aluminium block (5 MHz, contact).

Block 40 mm high, as its authors state; the standard uncertainty of 0.2 mm and 6320 m/s are theirs
or assumed, see the folder's README. The recordings are no part of the project.
"""

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from echotrial import host
from echotrial.choose.budget import Sources
from echotrial.choose.method import Method, read_method, write_method
from echotrial.cli import main
from echotrial.setup import Setup

RECORDED = Path(__file__).parents[2] / "shared" / "recorded" / "aluminium-block-contact"
pytestmark = pytest.mark.skipif(
    not RECORDED.is_dir(), reason="no ../shared/recorded beside the project"
)
#: What a trial around such a set-up leaves: half a sample of scatter at 25 MHz (assumed).
SOURCES = Sources(20e-9, 20e-6, 16 / 6320, 2.0, 1.8e-4)


def echotrial(*arguments) -> int:
    with pytest.raises(SystemExit) as stopped:
        main([str(a) for a in arguments])
    return int(str(stopped.value.code))


def half(folder: Path, which: int, mode: int) -> Path:
    """Every second trace as a corpus of its own: one half to calibrate on, one to measure."""
    source = folder / f"half-{which}"
    source.mkdir()
    np.save(source / "traces.npy", np.load(RECORDED / "traces.npy")[which::2])
    with (RECORDED / "truth.csv").open(encoding="utf-8") as file:
        head, *rows = csv.reader(file)
    with (source / "truth.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([head, *([i, *row[1:]] for i, row in enumerate(rows[which::2]))])
    sheet = (RECORDED / "sheet.toml").read_text(encoding="utf-8")
    sheet = sheet.replace("mode = 3", f"mode = {mode}")
    (source / "sheet.toml").write_text(sheet, encoding="utf-8")
    corpus = folder / f"corpus-{which}"
    assert echotrial("corpus", "import", source / "sheet.toml", "--out", corpus) == 0
    return corpus


def method(folder: Path, detector: str, mode: int, settings) -> Path:
    loaded = host.load().detectors[detector]
    setup = Setup(centre_frequency=5e6, velocity=6320.0, velocity_uncertainty=16.0,
                  wall_range=(30e-3, 50e-3), mode=mode)  # fmt: skip
    found = Method(
        "block", setup, 25e6, detector, loaded.version, loaded.source_digest, settings, mode,
        tuple((w, SOURCES) for w in (30e-3, 40e-3, 50e-3)), None, None, {},
    )  # fmt: skip
    path = folder / "method.toml"
    write_method(found, path)
    return path


@pytest.mark.parametrize("detector", ["envelope", "correlation"])
def test_mode_3_one_sample_gives_the_velocity_and_the_other_traces_read_the_block(
    tmp_path, capsys, detector
):
    file, table = method(tmp_path, detector, 3, {}), tmp_path / "readings.csv"
    known, unknown = half(tmp_path, 0, 3), half(tmp_path, 1, 3)
    assert echotrial("calibrate", file, known, "--out", tmp_path / "calibrated.toml") == 0
    calibration = read_method(tmp_path / "calibrated.toml").calibration
    # the recordings' README: 12.46 us between the echoes, so 6420 m/s for 40 mm; 0.2 mm of 40 mm
    assert calibration.velocity == pytest.approx(6420, abs=40)
    assert 32 < calibration.velocity_u < 45
    assert calibration.zero_offset == 0.0
    assert calibration.holds_m == (0.04, 0.04)
    assert echotrial("measure", tmp_path / "calibrated.toml", unknown, "--out", table) == 0
    readings = pd.read_csv(table).dropna(subset="thickness_mm")
    assert len(readings) >= 28
    off = (readings["thickness_mm"] - 40.0).abs()
    assert (off < readings["U_mm"]).all()
    assert off.median() < 0.1
    # 2 x 0.2 mm of the reference alone; 0.25 % of the piece's velocity adds 0.2 mm
    assert readings["U_mm"].between(0.4, 0.6).all()
    capsys.readouterr()


def test_mode_1_one_sample_gives_the_zero_offset_at_the_stated_velocity(tmp_path, capsys):
    file = method(tmp_path, "envelope", 1, {"mode": 1, "gate_start_s": 8e-6})
    known, unknown = half(tmp_path, 0, 1), half(tmp_path, 1, 1)
    assert echotrial("calibrate", file, known, "--out", tmp_path / "calibrated.toml") == 0
    calibration = read_method(tmp_path / "calibrated.toml").calibration
    assert calibration.kind == "zero offset"
    # echo near 12.9 us (README), round trip of 40 mm at 6320 m/s 12.66 us
    assert calibration.zero_offset == pytest.approx(0.25e-6, abs=0.15e-6)
    table = tmp_path / "readings.csv"
    assert echotrial("measure", tmp_path / "calibrated.toml", unknown, "--out", table) == 0
    readings = pd.read_csv(table).dropna(subset="thickness_mm")
    assert len(readings) >= 28
    off = (readings["thickness_mm"] - 40.0).abs()
    assert (off < readings["U_mm"]).all()
    capsys.readouterr()
