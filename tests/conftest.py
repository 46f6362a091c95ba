"""What every test shares: a home of its own for corpora, and one thread for BLAS."""

import os
import sys

import pytest

os.environ.setdefault("OMP_NUM_THREADS", "1")


@pytest.fixture(autouse=True, scope="session")
def _home_of_its_own(tmp_path_factory: pytest.TempPathFactory) -> None:
    os.environ["ECHOTRIAL_HOME"] = str(tmp_path_factory.mktemp("home"))


@pytest.fixture(autouse=True)
def _path_as_it_was(monkeypatch: pytest.MonkeyPatch) -> None:
    # Loading a plugin file puts its folder on the path, for its siblings.
    monkeypatch.setattr(sys, "path", list(sys.path))
