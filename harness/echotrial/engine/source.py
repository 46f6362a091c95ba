"""Where a process gets waveforms from; the truth is not among it."""

import hashlib
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from echotrial.ascan import Batch
from echotrial.corpus import home
from echotrial.engine.job import Source
from echotrial.setup import Setup


class AnyCorpus(Protocol):
    """What the engine needs of a corpus; `echotrial.corpus.store.Corpus` has more."""

    @property
    def name(self) -> str: ...  # noqa: D102
    @property
    def setup(self) -> Setup: ...  # noqa: D102
    @property
    def truth(self) -> pd.DataFrame: ...  # noqa: D102
    def __len__(self) -> int: ...
    def batch(self, start: int, stop: int, /) -> Batch: ...  # noqa: D102


@dataclass(frozen=True, eq=False)
class Stored:
    """A corpus folder that this process can see; picklable, and then without its waveforms."""

    corpus: Any
    setup: Setup

    def stamp(self) -> object:
        """Size and time of last change of the files that detectors' input comes from."""
        stats = [os.stat(path) for path in self._files]
        return [(s.st_size, s.st_mtime_ns, s.st_ino) for s in stats]

    def fingerprint(self) -> str:
        """Digest of these files, each read only when it is new or has changed."""
        memory = home.checksums()
        return hashlib.sha256("".join(map(memory.sha256, self._files)).encode()).hexdigest()

    @property
    def _files(self) -> list[Path]:
        return [self.corpus.folder / name for name in ("waveforms.npy", "known.parquet")]

    def batch(self, start: int, stop: int) -> Batch:
        """Read the rows from the memory-mapped file."""
        found: Batch = self.corpus.batch(start, stop)
        return found


@dataclass(frozen=True, eq=False)
class InMemory:
    """Waveforms that exist nowhere but here; they travel whole."""

    samples: NDArray[np.float32]
    rate_hz: float
    start_s: NDArray[np.float64]
    setup: Setup

    def stamp(self) -> object:
        """Memory does not change behind our back."""
        return None

    def fingerprint(self) -> str:
        """Digest of samples, start times and rate."""
        found = hashlib.sha256(np.ascontiguousarray(self.samples).data)
        found.update(np.ascontiguousarray(self.start_s).data)
        found.update(repr((self.samples.shape, self.rate_hz)).encode())
        return found.hexdigest()

    def batch(self, start: int, stop: int) -> Batch:
        """Copy the rows."""
        return Batch.of(
            self.samples[start:stop], self.rate_hz, self.start_s[start:stop], self.setup
        )


def source_of(corpus: AnyCorpus) -> Source:
    """A source without truth for any corpus: its folder where it has one, else its waveforms."""
    if getattr(corpus, "folder", None) is not None:
        return Stored(corpus, corpus.setup)
    whole = corpus.batch(0, len(corpus))
    return InMemory(whole.samples, whole.rate_hz, whole.start_s, corpus.setup)


def splits_of(corpus: AnyCorpus) -> Mapping[str, slice]:
    """Rows of each split, without reading the truth where the corpus can say so itself."""
    rows = getattr(corpus, "rows", None)
    if rows is not None:
        return {split: rows(split) for split in ("prove", "tune")}
    split = corpus.truth["split"].to_numpy()
    found = {}
    for name in dict.fromkeys(split):
        at = np.flatnonzero(split == name)
        found[str(name)] = slice(int(at[0]), int(at[-1]) + 1)
    return found
