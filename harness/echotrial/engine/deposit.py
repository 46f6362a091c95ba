"""The way of a chunk's numbers from a worker: through a file, for they are more than a pipe holds.

A worker that sent them would stand still until this process, which may be scoring a corpus, has
read them: of 1,536 records and 11 detectors they are 0.9 MB.
"""

import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import numpy as np

from echotrial.engine.slices import Slice

_NOTHING = np.empty((0, 0))


def deposited(slices: Sequence[Slice], path: Path) -> tuple[list[Slice], Path | None]:
    """Slices of the same records without their numbers, and the new file that holds these.

    Where that cannot be written the numbers stay where they are, and there is no file.
    """
    try:
        with path.open("xb") as file:
            np.save(file, np.array([part.numbers for part in slices]), allow_pickle=False)
    except OSError:
        with suppress(OSError):
            path.unlink(missing_ok=True)
        return list(slices), None
    return [replace(part, numbers=_NOTHING) for part in slices], path


def withdrawn(slices: Sequence[Slice], path: Path | None) -> list[Slice]:
    """The slices with their numbers; the file is gone then."""
    if path is None:
        return list(slices)
    numbers = np.load(path, allow_pickle=False)
    os.unlink(path)
    return [replace(part, numbers=own) for part, own in zip(slices, numbers, strict=True)]
