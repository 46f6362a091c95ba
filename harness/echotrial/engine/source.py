"""Where a process gets waveforms from; the truth is not among it."""

import hashlib
import mmap
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from echotrial import host
from echotrial.ascan import Batch
from echotrial.corpus import home
from echotrial.corpus.address import fetched
from echotrial.corpus.build import CHUNK as BLOCK
from echotrial.corpus.store import scaled
from echotrial.engine.job import Source
from echotrial.hooks import ForwardModel, Spec, SyntheticRecords
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
        _release(getattr(self.corpus, "stored", None))
        return found


def _release(stored: object) -> None:
    """Let go of the pages of a mapped file, which would add up to all of it in this process."""
    mapped = getattr(stored, "_mmap", None)
    if mapped is not None and hasattr(mmap, "MADV_DONTNEED"):
        mapped.madvise(mmap.MADV_DONTNEED)


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


@dataclass(frozen=True)
class Synthetic:
    """Records that each process makes for itself, of (spec, seed, index)."""

    spec: str
    seed: int
    identity: str
    prove: int
    total: int
    rate_hz: float
    setup: Setup

    def stamp(self) -> object:
        """A function of its arguments does not change."""
        return None

    def fingerprint(self) -> str:
        """Digest of spec, seed and generator."""
        return self.identity

    def batch(self, start: int, stop: int) -> Batch:
        """Make the records, in the blocks in which the corpus was built."""
        prove = range(start, min(stop, self.prove))
        tune = range(max(start, self.prove) - self.prove, min(stop, self.total) - self.prove)
        parts = [p for s, rows in (("prove", prove), ("tune", tune)) for p in self._rows(s, rows)]
        samples = np.concatenate([samples for samples, _ in parts])
        starts = np.concatenate([starts for _, starts in parts])
        return Batch(scaled(samples, 1.0), self.rate_hz, starts, self.setup)

    def _rows(self, split: str, rows: range) -> Iterator[tuple[NDArray[Any], NDArray[Any]]]:
        size = self.prove if split == "prove" else self.total - self.prove
        for first in range(rows.start - rows.start % BLOCK, rows.stop, BLOCK):
            if rows:
                made = _block(self.spec, self.seed, split, first, min(first + BLOCK, size))
                cut = slice(max(rows.start - first, 0), rows.stop - first)
                starts = made.known["start_us"].to_numpy(dtype=np.float64) / 1e6
                yield made.samples[cut], starts[cut]


@lru_cache(maxsize=4)
def _block(spec: str, seed: int, split: str, start: int, stop: int) -> SyntheticRecords:
    model, read = _model(spec)
    return model.records(read, split, seed, start, stop)


@lru_cache(maxsize=4)
def _model(spec: str) -> tuple[ForwardModel, Spec]:
    model = host.load().forward_model
    return model, model.spec_of(spec)


@dataclass(frozen=True, eq=False)
class Fetched:
    """A corpus folder at an fsspec address, fetched once by each machine that reads it."""

    address: str
    name: str
    setup: Setup

    def stamp(self) -> object:
        """Each machine reads the copy that it fetched."""
        return None

    def fingerprint(self) -> str:
        """Digest of the copy here."""
        return Stored(_here(self.address), self.setup).fingerprint()

    def batch(self, start: int, stop: int) -> Batch:
        """Read the rows of the copy here."""
        return Stored(_here(self.address), self.setup).batch(start, stop)


@lru_cache(maxsize=4)
def _here(address: str) -> Any:
    """The corpus at an address, fetched, opened and verified once by this process."""
    return fetched(address)


def distant_source_of(corpus: AnyCorpus, address: str | None = None) -> Source:
    """A source for other machines: an address, a spec, a folder they share, or the waveforms."""
    address = address or getattr(corpus, "address", None)
    if address is not None:
        return Fetched(address, corpus.name, corpus.setup)
    manifest = getattr(corpus, "manifest", None)
    if manifest is None or manifest.synthetic is None:
        return source_of(corpus)
    counts, made = manifest.records, manifest.synthetic
    rate = manifest.sampling.rate
    return Synthetic(
        made.spec, made.seed, manifest.identity, counts.prove, counts.total, rate, corpus.setup
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
