"""The engine over many records: time, overhead and memory.

``python -m benchmarks.scale 10000 100000 1000000 --workers 2`` prints one row for each size. The
waveforms are those of the built-in stainless tube's corpus, written again and again under new
numbers: reading does not care, and making a million would take longer than reading them.
"""

import argparse
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import pandas as pd
import psutil
from echotrial import host
from echotrial.corpus.build import build
from echotrial.corpus.manifest import Counts, Description
from echotrial.corpus.store import Corpus, CorpusWriter
from echotrial.engine import Reading

BASICS = ("threshold", "correlation", "envelope", "cepstral")
ROWS = 3000


def original() -> Corpus:
    """The corpus whose waveforms are repeated."""
    loaded = host.load()
    entry = next(e for e in loaded.corpora.values() if e.name.startswith("stainless"))
    return build(loaded, loaded.forward_model.read_spec(entry.path), size="run")


def repeated(folder: Path, records: int) -> Corpus:
    """A corpus of so many records, all of them copies."""
    first = original()
    samples, known = np.array(first.stored[:ROWS]), first.known.iloc[:ROWS]
    truth = pd.DataFrame({"specimen": "x", "thickness_mm": 1.0, "thickness_u_mm": 0.0}, range(ROWS))
    about = Description(name="repeated", origin="synthetic", about="copies, for benchmarks only")
    counts = Counts(prove=records)
    with CorpusWriter(folder, about, first.setup, first.sampling, counts) as writer:
        for start in range(0, records, ROWS):
            rows = slice(0, min(ROWS, records - start))
            writer.append(samples[rows], known.iloc[rows], truth.iloc[rows])
    return Corpus.open(folder, materials=host.load().forward_model.materials())


class Peak:
    """Largest resident memory of each process of this run, sampled twice a second."""

    def __init__(self) -> None:
        self.of: dict[int, int] = {}
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch)

    def __enter__(self) -> "Peak":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _watch(self) -> None:
        me = psutil.Process()
        while not self._stop.wait(0.5):
            for process in (me, *me.children(recursive=True)):
                try:
                    used = process.memory_info().rss
                except psutil.Error:
                    continue
                self.of[process.pid] = max(used, self.of.get(process.pid, 0))

    @property
    def largest_mb(self) -> float:
        """Of all processes, in units of 10^6 bytes."""
        return max(self.of.values(), default=0) / 1e6


def measured(
    corpus: Corpus, names: tuple[str, ...], workers: int, work: Path | None
) -> dict[str, float]:
    """Read a corpus chunk by chunk and say what it took."""
    run = Reading(corpus, host.load().chosen(names), workers=workers, work=work)
    began = time.perf_counter()
    with Peak() as peak:
        rows = sum(len(frame) for frame in run)
    wall = time.perf_counter() - began
    own = sum(run.seconds_per_record.values()) * len(corpus)
    return {
        "records": len(corpus),
        "rows": rows,
        "wall_s": wall,
        "own_s": own,
        "ratio": wall * max(workers, 1) / own,
        "peak_mb": peak.largest_mb,
    }


def main() -> None:
    """Print one row for each size."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("records", type=int, nargs="+")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--detector", action="append", default=[])
    parser.add_argument("--keep", action="store_true", help="with a work folder")
    chosen = parser.parse_args()
    found = []
    for records in chosen.records:
        with tempfile.TemporaryDirectory() as folder:
            corpus = repeated(Path(folder) / "corpus", records)
            work = Path(folder) / "work" if chosen.keep else None
            names = tuple(chosen.detector) or BASICS
            found.append(measured(corpus, names, chosen.workers, work))
        print(pd.DataFrame(found[-1:]).round(2).to_string(index=False, header=len(found) == 1))


if __name__ == "__main__":
    main()
