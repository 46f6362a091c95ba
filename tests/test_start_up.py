"""What commands that only tell about something import: start-up time is import time."""

import subprocess
import sys

import pytest

from tests.corpus_fixtures import train, write_corpus

LISTED = """
import sys
sys.argv = {argv!r}
try:
    from echotrial.cli import main
    main()
finally:
    print("\\0", *sys.modules)
"""


def imported(*arguments: str) -> set[str]:
    """Names of the modules that are loaded when a command has run."""
    code = LISTED.format(argv=["echotrial", *arguments])
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return set(ran.stdout.rpartition("\0")[2].split())


@pytest.mark.parametrize("arguments", [("--help",), ("--version",), ("-h",)])
def test_help_loads_no_library_but_click(arguments):
    found = imported(*arguments)
    assert "click" in found
    heavy = {"numpy", "pandas", "scipy", "numba", "pydantic", "pint", "rich", "pluggy", "tomlkit"}
    assert not found & heavy


def test_the_list_of_detectors_loads_nothing_that_reads_or_draws():
    found = imported("detector", "list")
    assert "echotrial_detectors.model_fit" in found  # they were really loaded
    heavy = {
        "pandas",
        "pyarrow",
        "plotly",
        "matplotlib",
        "pint",
        "sklearn",
        "statsmodels",
        "hypothesis",
        "h5py",
        "scipy.signal",
        "scipy.stats",
        "scipy.optimize",
        "scipy.fft",
    }
    assert not found & heavy


def test_the_lists_above_name_what_a_command_on_a_corpus_loads(tmp_path):
    """The same look finds a library that is loaded."""
    write_corpus(tmp_path / "made", train(1.0)[None], {"thickness_mm": [1.0]})
    found = imported("run", str(tmp_path / "made"), "--detector", "envelope", "--workers", "0",
                     "--out", str(tmp_path / "trial"))  # fmt: skip
    heavy = {"numpy", "pandas", "pyarrow", "scipy.fft", "pydantic", "rich"}
    assert heavy <= found
