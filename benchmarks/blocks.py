"""Puts generated text between two marks of README.md."""

import platform
import re
from datetime import UTC, datetime
from pathlib import Path

import psutil

README = Path(__file__).parents[1] / "README.md"


def put(name: str, text: str, file: Path = README) -> None:
    """Replace what stands between ``<!-- NAME: begin -->`` and ``<!-- NAME: end -->``.

    Raises
    ------
    ValueError
        The marks are not there.
    """
    begin, end = f"<!-- {name}: begin -->", f"<!-- {name}: end -->"
    before = file.read_text(encoding="utf-8")
    pattern = f"{re.escape(begin)}.*{re.escape(end)}"
    after, count = re.subn(pattern, lambda _: f"{begin}\n{text}\n{end}", before, flags=re.DOTALL)
    if count != 1:
        raise ValueError(f"{file}: {begin} and {end} stand there {count} times, not once")
    file.write_text(after, encoding="utf-8")


def made_by(command: str) -> str:
    """Date and machine, for the line above a table."""
    cores, load = psutil.cpu_count(), psutil.getloadavg()[0]
    return (
        f"Made by `{command}` ({datetime.now(UTC):%Y-%m-%d}, Python {platform.python_version()}, "
        f"{platform.machine()}, {cores} cores, {load:.1f} processes wanted them)"
    )
