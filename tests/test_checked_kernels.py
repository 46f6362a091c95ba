"""No kernel reads or writes beside its arrays, whatever the batch and the records."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from echotrial_detectors.onset import _move

ROOT = Path(__file__).parents[1]
SPECS = (
    "stainless-tube-20mhz", "noise-stress", "clipping-stress", "tail-stress",
    "contact-plate-mode-1", "lined-nylon-tube", "nylon-tube-mismatched", "distractors",
)  # fmt: skip


@pytest.mark.slow
def test_no_kernel_reads_beside_its_arrays(tmp_path: Path) -> None:
    """numba checks every index, and what was never written holds nonsense.

    ``MALLOC_PERTURB_`` fills fresh memory with a byte (glibc, mallopt(3)).
    """
    checks = {
        "NUMBA_BOUNDSCHECK": "1", "NUMBA_CACHE_DIR": str(tmp_path), "MALLOC_PERTURB_": "165",
        "PYTHONPATH": os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")]),
    }  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-m", "tests.checked_kernels", *SPECS],
        env={**os.environ, **checks}, cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    readings = {tuple(line.split()[:2]): int(line.split()[2]) for line in done.stdout.splitlines()}
    assert len(readings) == len(SPECS) * 11
    assert sum(readings.values()) > 5000


def test_a_mark_is_moved_in_the_records_that_there_are_only() -> None:
    """There may be room for more records than a portion holds, with what earlier ones left."""
    signal = np.zeros((2, 64), np.float32)
    room, count = np.full((5, 3), 40.0), np.array([1, 1, 3, 3, 3])
    _move(
        signal, signal, room, np.ones((5, 3)), count, 15, 0.0, 1.0, 0.0, 1.0,
        np.empty(16), np.empty(16),
    )  # fmt: skip
    assert (room[2:] == 40.0).all()
