"""Listing detectors, what failed to load, and a new plugin to begin from."""

import json
import os
import re
import subprocess
import sys
import tomllib
import venv
import zipfile
from pathlib import Path

import pytest
from echotrial import host
from echotrial.cli import main
from echotrial.testing import CHECKS

TWELVE_LINES = '''
import numpy as np


def first_half(batch, *, level: float = 0.4, mode: int = 3):
    """Reads the time of the highest sample. Not a sensible detector."""
    time_s = batch.start_s + np.argmax(batch.samples, axis=1) / batch.rate_hz
    high = batch.samples.max(axis=1) > level
    return np.where(high, batch.setup.thickness_m(time_s, mode=mode), np.nan)
'''


@pytest.fixture
def plugin(tmp_path: Path) -> Path:
    path = tmp_path / "first_half.py"
    path.write_text(TWELVE_LINES)
    return path


@pytest.fixture
def raises(tmp_path: Path) -> Path:
    path = tmp_path / "raises.py"
    path.write_text("raise RuntimeError('licence server not found')\n")
    return path


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as exit_:
        main([str(a) for a in arguments])
    return int(exit_.value.code or 0)


# -- list -----------------------------------------------------------------------------------------


def test_list_names_settings_bounds_candidates_and_origin(capsys):
    template = Path(host.__file__).parent / "template" / "my_idea.py"
    run("detector", "list", "--plugin", template)
    told = capsys.readouterr().out
    block = told[told.index("my-idea 0.1.0") :]
    assert "invariances: gain, polarity, shift" in block
    assert "my_idea.py" in block.replace("\n", "")
    row = re.search(r"noise_factor +7 +6 to 50 +6, 7, 10 +an echo stands", block)
    assert row, block


def test_list_fits_100_columns(plugin, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "240")
    run("detector", "list")
    assert max(map(len, capsys.readouterr().out.splitlines())) <= 100


def test_a_plugin_that_failed_is_listed_with_its_reason_and_exit_3(plugin, raises, capsys):
    assert run("detector", "list", "--plugin", raises, "--plugin", plugin) == 3
    told = " ".join(capsys.readouterr().out.split())
    assert "RuntimeError: licence server not found" in told
    assert "first-half 0" in told
    assert "1 failed to load" in told


def test_list_as_json_says_the_same(plugin, raises, capsys):
    assert run("detector", "list", "--json", "--plugin", raises, "--plugin", plugin) == 3
    told = json.loads(capsys.readouterr().out)
    assert told["failed"][-1] == {
        "plugin": str(raises),
        "reason": "RuntimeError: licence server not found",
    }
    mine = next(d for d in told["detectors"] if d["name"] == "first-half")
    assert mine["about"] == "Reads the time of the highest sample."
    assert mine["file"] == str(plugin)
    assert [(s["name"], s["default"]) for s in mine["settings"]] == [("level", 0.4), ("mode", 3)]


def test_markup_in_a_plugin_is_text(tmp_path, capsys):
    odd = tmp_path / "odd.py"
    odd.write_text('def odd(batch, *, level: str = "[red]x"):\n    "A [bold]."\n    return [0.0]\n')
    assert run("detector", "list", "--plugin", odd) == 0
    told = capsys.readouterr().out
    assert "[red]x" in told
    assert "A [bold]." in told


def test_built_in_detectors_come_in_by_the_public_door(capsys):
    pytest.importorskip("echotrial_detectors", reason="the built-in detectors are not there")
    run("detector", "list", "--json")
    told = json.loads(capsys.readouterr().out)["detectors"]
    names = {d["name"] for d in told}
    assert {"threshold", "cepstral"} <= names
    assert len(names) >= 4
    for d in told:
        for s in d["settings"]:
            assert s["about"], (d["name"], s["name"], "has no description")


# -- new ------------------------------------------------------------------------------------------


@pytest.fixture
def begun(tmp_path: Path) -> Path:
    assert run("detector", "new", "tail-listener", "--out", tmp_path) == 0
    return tmp_path / "tail-listener"


def test_new_writes_a_plugin_under_its_own_name_that_loads_as_a_file(begun):
    assert {p.name for p in begun.iterdir()} == {
        "README.md",
        "pyproject.toml",
        "tail_listener.py",
        "test_tail_listener.py",
    }
    everything = "".join(p.read_text() for p in begun.iterdir())
    assert not re.search("my.?idea", everything, re.IGNORECASE)
    loaded = host.load([begun / "tail_listener.py"], use_entry_points=False)
    assert not loaded.failures
    found = loaded.detectors["tail-listener"]
    assert found.factory.__name__ == "TailListener"
    quick = {"says-what-it-is", "gives-well-formed-readings", "reads-clear-echoes"}
    assert all(check(found) for check in CHECKS if check.name in quick)


@pytest.mark.slow
def test_a_new_plugin_passes_its_own_tests_as_written(begun):
    told = _call(sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", begun)
    assert f"{len(CHECKS) + 1} passed" in told


def test_the_entry_point_names_the_module(begun):
    project = tomllib.loads((begun / "pyproject.toml").read_text())
    assert project["project"]["entry-points"]["echotrial"] == {"tail-listener": "tail_listener"}
    assert project["project"]["name"] == "tail-listener"


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("MyIdea", "lower-case words joined by hyphens"),
        ("../evil", "lower-case words joined by hyphens"),
        ("class", "choose another"),
        ("numpy", "choose another"),
    ],
)
def test_a_name_that_cannot_be_is_refused(name, said, tmp_path, capsys):
    assert run("detector", "new", name, "--out", tmp_path) == 2
    assert said in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


def test_new_does_not_write_over_what_is_there(tmp_path, capsys):
    (tmp_path / "tail-listener").mkdir()
    assert run("detector", "new", "tail-listener", "--out", tmp_path) == 2
    assert "is there already" in capsys.readouterr().err
    assert not list((tmp_path / "tail-listener").iterdir())


@pytest.mark.slow
def test_the_three_commands_of_its_readme_begin_with_an_install_that_works(begun, tmp_path):
    venv.create(tmp_path / "venv", system_site_packages=True, symlinks=True)
    python = _venv_that_sees_this_one(tmp_path / "venv")
    commands = re.findall(r"^    (.+)$", (begun / "README.md").read_text(), re.MULTILINE)
    assert commands[0] == "pip install -e ."
    assert commands[1] == "echotrial detector check tail-listener"
    assert commands[2].startswith("echotrial run --detector tail-listener")
    _call(python, "-m", "pip", "install", "-q", "--no-deps", "--no-build-isolation", "-e", begun)
    start = "import sys; from echotrial.cli import main; main(sys.argv[1:])"
    listed = _call(python, "-c", start, "detector", "list", "--json")
    mine = [d for d in json.loads(listed)["detectors"] if d["name"] == "tail-listener"]
    assert mine[0]["plugin"] == "tail-listener (tail-listener 0.1.0)"
    told = _call(python, "-c", start, *commands[1].split()[1:])
    assert "tail-listener keeps the contract" in told


def _venv_that_sees_this_one(folder: Path) -> Path:
    """Give the new environment everything that this one has, without installing it again."""
    site = next(folder.glob("lib/python*/site-packages"))
    lines = [p for p in sys.path if p and os.path.isdir(p)]
    (site / "everything_else.pth").write_text("\n".join(lines) + "\n")
    return folder / "bin" / "python"


def _call(*command: object) -> str:
    done = subprocess.run(
        [str(c) for c in command], capture_output=True, text=True, check=False, timeout=600
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.slow
def test_the_template_is_in_the_wheel(tmp_path):
    root = Path(__file__).parent.parent
    _call(
        sys.executable, "-m", "pip", "wheel", "-q", "--no-deps", "--no-build-isolation",
        "--wheel-dir", tmp_path, root,
    )  # fmt: skip
    names = zipfile.ZipFile(next(tmp_path.glob("echotrial-*.whl"))).namelist()
    shipped = {Path(n).name for n in names if n.startswith("echotrial/template/")}
    assert {"my_idea.py", "test_my_idea.py", "pyproject.toml", "README.md"} <= shipped
