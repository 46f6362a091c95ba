"""Synthetic corpora: the forward model's records, streamed to a folder in chunks of one size."""

import hashlib
import json
import multiprocessing
import pickle
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, ProcessPoolExecutor
from pathlib import Path
from typing import NamedTuple

import numpy as np

from echotrial.corpus import home
from echotrial.corpus.manifest import SPLITS, Counts, Description, Sampling, Synthetic
from echotrial.corpus.store import Corpus, CorpusWriter
from echotrial.errors import Refused, WrongQuestion, nearest
from echotrial.hooks import ForwardModel, Spec, SyntheticRecords
from echotrial.host import Host

#: Records made at once; fixed, so that BLAS meets the same shapes whoever makes them.
CHUNK = 512
#: Chunks that make another process worth its start.
CHUNKS_A_WORKER = 8
#: What `run` takes of a spec that does not say.
SIZES: Mapping[str, Mapping[str, int]] = {
    "smoke": {"prove": 200, "tune": 100},
    "run": {"prove": 2000, "tune": 1000},
    "standard": {"prove": 5000, "tune": 1000},
}
Size = str | Mapping[str, int]
Progress = Callable[[int, int], None]


class Chunk(NamedTuple):
    """Records `start` to `stop` of one split."""

    split: str
    start: int
    stop: int


def build(
    host: Host,
    spec: Spec,
    *,
    seed: int = 0,
    size: Size = "run",
    out: Path | None = None,
    workers: int = 1,
    progress: Progress | None = None,
    replace: bool = False,
) -> Corpus:
    """Make a synthetic corpus, or open the one that was made of the same things before.

    Parameters
    ----------
    host
        Brings the forward model.
    spec
        What to make.
    seed
        Another seed gives other records of the same spec.
    size
        ``smoke``, ``run``, ``standard``, or the number of records in each split.
    out
        Folder; None keeps it among the user's corpora.
    workers
        Processes at most; the bytes are the same whatever their number.
    progress
        Called with the records made so far and the number wanted.
    replace
        Make it anew where it is there already.

    Raises
    ------
    WrongQuestion
        `out` holds another corpus, or there is no such size.
    Refused
        The corpus made before is damaged.
    """
    model = host.forward_model
    counts = counts_of(spec, size)
    digest = identity(spec.canonical(), seed, model.version)
    folder = out or home.built_folder(spec.name, digest, _label(size))
    materials = model.materials()
    if folder.exists() and not replace:
        return _same(folder, digest, counts, host)
    try:
        _write(model, spec, seed, counts, folder, digest, workers, progress, replace)
    except FileExistsError:  # another process made it meanwhile
        return _same(folder, digest, counts, host)
    return Corpus.open(folder, materials=materials)


def identity(canonical: str, seed: int, generator: str) -> str:
    """Digest of what decides every record of a synthetic corpus."""
    return hashlib.sha256(json.dumps([canonical, seed, generator]).encode()).hexdigest()


def counts_of(spec: Spec, size: Size) -> Counts:
    """Records in each split for a size by name, as the spec or else `SIZES` has it."""
    if isinstance(size, str):
        sizes = {**SIZES, **spec.sizes}
        sizes["run"] = spec.sizes.get("run") or spec.sizes.get("default") or SIZES["run"]
        if size not in sizes:
            raise WrongQuestion(f"size '{size}': {nearest(size, sizes)}")
        size = sizes[size]
    counts = Counts(**size)
    if counts.total == 0:
        raise WrongQuestion(f"size {dict(size)}: a corpus has at least one record")
    return counts


def _label(size: Size) -> str:
    return size if isinstance(size, str) else "-".join(f"{s}{size.get(s, 0)}" for s in SPLITS)


def _same(folder: Path, digest: str, counts: Counts, host: Host) -> Corpus:
    """Open what is there, if it is what would have been made."""
    corpus = Corpus.open(folder, materials=host.forward_model.materials())
    if (corpus.identity, corpus.manifest.records) != (digest, counts):
        raise WrongQuestion(
            f"{folder}: holds another corpus ({corpus.name}, {len(corpus)} records, identity "
            f"{corpus.identity[:10]}); choose another folder or say --replace"
        )
    try:
        corpus.verify()
    except Refused as error:
        raise Refused(f"{error} (--replace makes it anew)") from None
    return corpus


def _write(
    model: ForwardModel,
    spec: Spec,
    seed: int,
    counts: Counts,
    folder: Path,
    digest: str,
    workers: int,
    progress: Progress | None,
    replace: bool,
) -> None:
    with CorpusWriter(
        folder,
        Description(
            name=spec.name,
            origin=getattr(spec, "origin", "synthetic"),
            about=spec.about,
            licence=getattr(spec, "licence", ""),
            source=getattr(spec, "source", ""),
        ),
        spec.setup,
        Sampling(rate=spec.rate_hz, samples=spec.samples),
        counts,
        dtype=np.int16,
        identity=digest,
        synthetic=Synthetic(generator=model.version, seed=seed, spec=spec.canonical()),
        replace=replace,
    ) as writer:
        for made in _records(model, spec, seed, _chunks(counts), workers):
            writer.append(made.samples, made.known, made.truth)
            if progress is not None:
                progress(writer.written, counts.total)


def _chunks(counts: Counts) -> list[Chunk]:
    return [
        Chunk(split, start, min(start + CHUNK, getattr(counts, split)))
        for split in SPLITS
        for start in range(0, getattr(counts, split), CHUNK)
    ]


def _records(
    model: ForwardModel, spec: Spec, seed: int, chunks: list[Chunk], workers: int
) -> Iterator[SyntheticRecords]:
    """Records chunk by chunk, in order; at most two chunks a worker are on their way."""
    wanted = min(workers, len(chunks) // CHUNKS_A_WORKER)
    if wanted < 2 or not _travels(model, spec):
        yield from (model.records(spec, c.split, seed, c.start, c.stop) for c in chunks)
        return
    with ProcessPoolExecutor(
        wanted, multiprocessing.get_context("spawn"), initializer=_serve, initargs=(model, spec)
    ) as pool:
        under_way: deque[Future[SyntheticRecords]] = deque()
        for chunk in chunks:
            under_way.append(pool.submit(_make, seed, chunk))
            if len(under_way) > 2 * wanted:
                yield under_way.popleft().result()
        while under_way:
            yield under_way.popleft().result()


def _travels(model: ForwardModel, spec: Spec) -> bool:
    """Whether a worker process can be given the model; one from a single file cannot."""
    try:
        pickle.dumps((model, spec))
    except Exception:  # pickling fails in as many ways as there are objects
        return False
    return not type(model).__module__.startswith("echotrial_file_")


_served: list[tuple[ForwardModel, Spec]] = []


def _serve(model: ForwardModel, spec: Spec) -> None:
    """Keep the model in a worker process, which is sent it once."""
    _served[:] = [(model, spec)]


def _make(seed: int, chunk: Chunk) -> SyntheticRecords:
    model, spec = _served[0]
    return model.records(spec, chunk.split, seed, chunk.start, chunk.stop)
