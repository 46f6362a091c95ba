"""What every test shares: a home of its own for corpora, and one thread for BLAS."""

import os

import pytest

os.environ.setdefault("OMP_NUM_THREADS", "1")


@pytest.fixture(autouse=True, scope="session")
def _home_of_its_own(tmp_path_factory: pytest.TempPathFactory) -> None:
    os.environ["ECHOTRIAL_HOME"] = str(tmp_path_factory.mktemp("home"))
