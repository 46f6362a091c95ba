"""The method sheet: what it says, and how it prints (headless Chromium)."""

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from echotrial.choose.method import read_method
from echotrial.cli import main
from echotrial.setup import Setup
from echotrial.sheet.ascan import Mark, drawing
from echotrial.sheet.content import in_mode

NAMES = ("chromium", "chromium-browser", "google-chrome")
CHROMIUM = next(filter(None, map(shutil.which, NAMES)), "")
# Walls of two wavelengths and more, so that somebody holds; set-up and figures are invented.
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


def test_a_drawing_marks_what_it_is_told_to():
    time = np.arange(200) * 1e-8
    svg = drawing(time, np.sin(time * 3e7), [Mark(1e-6, "<echo>"), Mark(9.0, "outside")], "a & b")
    assert "&lt;echo&gt;" in svg
    assert "outside" not in svg
    assert "<title>a &amp; b</title>" in svg
    assert svg.count("<polyline") == 1


def test_words_of_neighbouring_marks_stand_in_rows_of_their_own():
    time = np.arange(200) * 1e-8
    marks = [Mark(1e-6, "interface", dashed=True), Mark(1.005e-6, "mark 1"), Mark(1.8e-6, "mark 2")]
    svg = drawing(time, np.sin(time * 3e7), marks)
    words = re.findall(r'y="([\d.]+)" text-anchor="middle" fill="#06c">([^<]+)<', svg)
    height = {word: float(y) for y, word in words}
    assert height["mark 1"] < height["interface"]
    assert len(re.findall(r'fill="#06c">', svg)) == 3


def test_readings_in_a_mode_are_those_whose_first_mark_says_so():
    """By hand: 0.59 mm of 5,900 m/s are 0.2 us; no marks at all count as by multiples."""
    known = Setup(centre_frequency=20e6, bandwidth=12e6, velocity=5900.0, wall_range=(1e-4, 1e-3))
    rows = pd.DataFrame(
        {"first_echo_us": [8.01, 8.2, 8.6, np.nan], "interface_us": 8.0, "thickness_mm": 0.59}
    )
    assert in_mode(rows, 2, known).index.tolist() == [0]
    assert in_mode(rows, 3, known).index.tolist() == [1, 2, 3]
    assert len(in_mode(rows, 1, known)) == 4


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    top = tmp_path_factory.mktemp("sheet")
    path = top / "plate.toml"
    path.write_text(PLATE, encoding="utf-8")
    with pytest.raises(SystemExit) as stopped:
        main(["choose", str(path), "--detector", "correlation", "--detector", "threshold",
              "--prove", "2000", "--tune", "200", "--workers", "0", "--no-advice"])  # fmt: skip
    assert stopped.value.code == 0
    return top / "plate-choice"


@pytest.mark.slow
def test_it_says_what_an_operator_needs(folder):
    text = re.sub(r"<[^>]+>|\s+", " ", (folder / "method-sheet.html").read_text(encoding="utf-8"))
    text = " ".join(text.split())
    method = read_method(folder / "method.toml")
    for words in (
        f"Mode {method.mode}:", "Gate: ", "interface echo negative", "80 % of full screen height",
        "expanded (k = 2)", "velocity, piece to piece", "hits 90 % or more down to",
        "may read off by", "95 % interval", "thick false lock", "phantom, dry", "to be set",
        "thin end: 0.8 mm", "Detector correlation: on",
        "Approved, qualified personnel", "Not calibrated yet",
        "Evidence from simulation qualifies no procedure", "reference blocks of the same material",
        "Follow the applicable code", method.source_digest[:12],
    ):  # fmt: skip
        assert words in text
    assert text.count("Computed record") >= 1


@pytest.mark.slow
@pytest.mark.skipif(not CHROMIUM, reason="no Chromium here to print with")
@pytest.mark.parametrize("size", ["A4", "Letter"])
def test_it_prints_on_one_or_two_pages(folder, size, tmp_path):
    html = (folder / "method-sheet.html").read_text(encoding="utf-8")
    page, pdf = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    page.write_text(html.replace("@page {", f"@page {{ size: {size};"), encoding="utf-8")
    subprocess.run(
        [CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
         f"--user-data-dir={tmp_path / 'profile'}", f"--print-to-pdf={pdf}", page.as_uri()],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    printed = pdf.read_bytes()
    pages = max(int(n) for n in re.findall(rb"/Count (\d+)", printed))
    assert 1 <= pages <= 2
    width = {"A4": 595, "Letter": 612}[size]
    box = re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", printed)
    assert float(box[1]) == pytest.approx(width, abs=1.5)
