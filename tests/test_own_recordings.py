"""The guide "From reference samples on the bench to a corpus": its example is run as printed.

The guide is looked for in README.md and docs/; its files, sheet and commands are taken from it.
"""

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from echotrial.cli import main
from echotrial.corpus.spacing import spacings
from echotrial.corpus.store import Corpus
from scipy.stats import beta

ROOT = Path(__file__).parents[1]
HEADING = "From reference samples on the bench to a corpus"


def _guide() -> str:
    for path in [ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md"))]:
        text = path.read_text(encoding="utf-8")
        if f"## {HEADING}" in text:
            return text.partition(f"## {HEADING}")[2]
    pytest.skip(f"no text has the section '{HEADING}' yet")


def _blocks(text: str, language: str) -> list[str]:
    return re.findall(rf"^```{language}[^\n]*\n(.*?)^```", text, flags=re.M | re.S)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A folder in which the example's script was run; gives the guide's text."""
    monkeypatch.setenv("ECHOTRIAL_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)
    text = _guide()
    script = next(b for b in _blocks(text, "python") if 'Path("bench")' in b)
    sheet = next(b for b in _blocks(text, "toml") if "bench-tubes" in b)
    (tmp_path / "make_bench.py").write_text(script, encoding="utf-8")
    subprocess.run([sys.executable, "make_bench.py"], check=True)
    (tmp_path / "bench" / "sheet.toml").write_text(sheet, encoding="utf-8")
    return text


def _run(line: str) -> int:
    with pytest.raises(SystemExit) as stop:
        main(line.split()[1:])
    return int(stop.value.code or 0)


def _commands(text: str) -> list[str]:
    lines = "".join(_blocks(text, "sh")).splitlines()
    return [line for line in lines if line.startswith("echotrial corpus") and "bench" in line]


def test_the_example_ends_as_the_guide_says(bench: str, capsys: pytest.CaptureFixture[str]) -> None:
    first, second, again, check, show = _commands(bench)
    assert [_run(first), _run(second)] == [0, 1]
    printed = capsys.readouterr().out
    shown = next(b for b in _blocks(bench, "text") if b.startswith("bench-tubes"))
    assert printed.endswith(shown)
    _mend(Path("bench/truth.csv"), 13, 33)
    assert [_run(again), _run(check), _run(show)] == [0, 0, 0]
    assert Path("bench-tubes.html").is_file()
    made = Corpus.open("bench-corpus")
    assert made.setup.interface_echo == pytest.approx(5.0e-6, abs=2e-9)
    assert "contradicts" not in spacings(made).verdict


def _mend(path: Path, one: int, other: int) -> None:
    """Exchange what two rows say, but for the number of the record."""
    lines = path.read_text(encoding="utf-8").splitlines()
    a, b = (lines[i + 1].split(",", 1) for i in (one, other))
    lines[one + 1], lines[other + 1] = f"{a[0]},{b[1]}", f"{b[0]},{a[1]}"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def test_the_figures_of_the_guide() -> None:
    """Clopper-Pearson with no event is 1 - 0.05^(1/n); the GUM's sum is a root of squares."""
    text = _guide()
    assert "20 such records" in text
    assert f"{beta.ppf(0.95, 1, 20):.0%}" == "14%"
    assert f"{beta.ppf(0.95, 1, 150):.0%}" == "2%"
    rows = [float(x) for x in re.findall(r"= ([\d.]+) um \|", text)]
    total = float(re.findall(r"\*\*([\d.]+) um\*\*", text)[0])
    assert len(rows) == 4
    assert np.hypot.reduce(rows) == pytest.approx(total, abs=0.05)
