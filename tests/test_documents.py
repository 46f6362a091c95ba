"""README.md and DEVELOPERS.md are run, not believed: every command and every Python block."""

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

TOP = Path(__file__).parents[1]
README = (TOP / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
SETUP = "python3 -m venv .venv && "


def blocks(text: str) -> Iterator[tuple[str, str]]:
    """Info string and content of every fenced block, in order."""
    yield from re.findall(r"^```(\w[^\n]*)\n(.*?)^```$", text, flags=re.MULTILINE | re.DOTALL)


def commands(text: str) -> list[str]:
    return [line for kind, body in blocks(text) if kind == "sh" for line in body.splitlines()]


def test_readme_opens_with_the_job_in_one_paragraph() -> None:
    title, job, heading = README.split("\n\n")[:3]
    assert title == "# echotrial"
    assert "thickness" in job
    assert "\n" not in job
    assert heading.startswith("## Two commands")


def test_two_commands_set_up_everything_and_ci_calls_the_second() -> None:
    main_job, tests = [c for c in commands(README) if c.startswith(SETUP)]
    assert main_job.endswith(".venv/bin/echotrial run")
    assert tests.endswith('.venv/bin/python -m pytest -m "not slow"')
    script = (TOP / ".ci" / "run").read_text(encoding="utf-8").replace(" --quiet", "")
    assert tests in script


def test_cautions_are_there() -> None:
    cautions = README.split("## Cautions")[1]
    for word in ("qualifies no procedure", "reference blocks", "qualified personnel", "code"):
        assert word in cautions


@pytest.mark.slow
@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_every_documented_command_runs(text: str, tmp_path: Path) -> None:
    """In the order of the document, in one folder: a block that begins with a file's name is it.

    ``sh exits 1`` says what a command is to exit with; ``sh install`` is run by
    test_detector_cli.py, in an environment that may be changed.
    """
    for kind, body in blocks(text):
        named = re.match(r"# (\S+\.(?:py|toml))\n", body)
        if named:
            (tmp_path / named[1]).parent.mkdir(exist_ok=True)
            (tmp_path / named[1]).write_text(body, encoding="utf-8")
        elif kind == "python":
            run([sys.executable, "-c", body], tmp_path)
        elif kind == "sh exits 1":
            run(["bash", "-euc", body], tmp_path, exits=1)
        elif kind == "sh" and not body.startswith(SETUP):
            run(["bash", "-euc", body], tmp_path)


def run(command: list[str], folder: Path, exits: int = 0) -> None:
    path = f"{Path(sys.executable).parent}:{os.environ['PATH']}"
    done = subprocess.run(
        command, cwd=folder, env={**os.environ, "PATH": path}, capture_output=True, text=True
    )
    assert done.returncode == exits, f"{command}\n{done.stdout}\n{done.stderr}"
