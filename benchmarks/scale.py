"""Time and memory over many records, of the engine alone and of whole trials.

``python -m benchmarks.scale 10000 100000 1000000`` prints one row for each size: the engine alone,
and with ``--trial`` all that ``echotrial run`` does, outcomes, scores, tables and page included.
``--evidence`` measures both and keeps table and picture in benchmarks/evidence: scale.md, or
scale-all.md with ``--detector all``.
The records are those of the built-in stainless tube's corpus, written again and again under new
numbers: reading does not care, and making a million would take longer than reading them.
"""

import argparse
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import psutil
from echotrial import host, open_trial
from echotrial.corpus.build import build
from echotrial.corpus.manifest import Counts, Description
from echotrial.corpus.store import Corpus, CorpusWriter
from echotrial.engine import Reading
from echotrial.files import write_text

from benchmarks.blocks import made_by
from benchmarks.own_time import ABOUT, own_and_spent_s

EVIDENCE = Path(__file__).parent / "evidence"
BASICS = ("threshold", "correlation", "envelope", "cepstral")
ROWS = 3000


def original() -> Corpus:
    """The corpus whose records are repeated."""
    loaded = host.load()
    entry = next(e for e in loaded.corpora.values() if e.name.startswith("stainless"))
    return build(loaded, loaded.forward_model.read_spec(entry.path), size="run")


def repeated(folder: Path, records: int) -> Corpus:
    """A corpus of so many records, all of them copies; one in ten is for tuning, 1,000 at most."""
    first = original()
    samples, known = np.array(first.stored[:ROWS]), first.known.iloc[:ROWS]
    truth = first.truth.iloc[:ROWS]
    about = Description(name="repeated", origin="synthetic", about="copies, for benchmarks only")
    tune = min(records // 10, 1000)
    counts = Counts(prove=records - tune, tune=tune)
    with CorpusWriter(folder, about, first.setup, first.sampling, counts) as writer:
        for start in range(0, records, ROWS):
            rows = slice(0, min(ROWS, records - start))
            writer.append(samples[rows], known.iloc[rows], truth.iloc[rows])
    return Corpus.open(folder, materials=host.load().forward_model.materials())


class Watch:
    """Largest resident memory and processor time of a process and those it started."""

    def __init__(self, pid: int | None = None) -> None:
        self._root = psutil.Process(pid)
        self.peak_bytes: dict[int, int] = {}
        self._cpu_s: dict[int, float] = {}
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._watch)

    def __enter__(self) -> "Watch":
        self._look()
        self._before_s = sum(self._cpu_s.values())
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._look()
        self._stop.set()
        self._thread.join()

    def _watch(self) -> None:
        while not self._stop.wait(0.2):
            self._look()

    def _look(self) -> None:
        try:
            everyone = (self._root, *self._root.children(recursive=True))
        except psutil.Error:
            return
        for process in everyone:
            try:
                memory, times = process.memory_info().rss, process.cpu_times()
            except psutil.Error:
                continue
            self.peak_bytes[process.pid] = max(memory, self.peak_bytes.get(process.pid, 0))
            self._cpu_s[process.pid] = times.user + times.system

    @property
    def root_mb(self) -> float:
        """Peak of the process itself, in units of 10^6 bytes."""
        return self.peak_bytes.get(self._root.pid, 0) / 1e6

    @property
    def others_mb(self) -> float:
        """Peak of the largest process that it started."""
        others = [v for pid, v in self.peak_bytes.items() if pid != self._root.pid]
        return max(others, default=0) / 1e6

    @property
    def cpu_s(self) -> float:
        """Processor time of all of them."""
        return sum(self._cpu_s.values()) - self._before_s


def engine(corpus: Corpus, names: tuple[str, ...], workers: int, work: Path) -> dict[str, float]:
    """Read a corpus chunk by chunk and say what it took."""
    run = Reading(corpus, host.load().chosen(names), workers=workers, work=work)
    began = time.perf_counter()
    with Watch() as watch:
        rows = sum(len(frame) for frame in run)
    wall = time.perf_counter() - began
    assert rows == len(corpus) * len(run.job.calls)
    return row(len(corpus), workers, wall, run.seconds_per_record, watch)


def trial(corpus: Corpus, names: tuple[str, ...], workers: int, work: Path) -> dict[str, float]:
    """Run the command and say what it took."""
    out = work / "trial"
    chosen = [part for name in names for part in ("--detector", name)]
    command = [sys.executable, "-c", "from echotrial.cli import main; main()", "run"]
    arguments = [str(corpus.folder), *chosen, "--out", str(out), "--workers", str(workers)]
    began = time.perf_counter()
    process = subprocess.Popen([*command, *arguments], stdout=subprocess.DEVNULL)
    with Watch(process.pid) as watch:
        code = process.wait()
    wall = time.perf_counter() - began
    assert code == 0
    seconds = {r["detector"]: r["seconds"] for r in open_trial(out).info["seconds_per_record"]}
    return row(len(corpus), workers, wall, seconds, watch)


def row(
    records: int, workers: int, wall: float, seconds: Mapping[str, float], watch: Watch
) -> dict[str, float]:
    """One row of the table."""
    own, spent = own_and_spent_s(seconds, records)
    return {
        "records": records,
        "workers": workers,
        "wall_s": wall,
        "cpu_s": watch.cpu_s,
        "own_s": own,
        "spent_s": spent,
        "us/record": 1e6 * wall / records,
        "wall x workers / own": wall * max(workers, 1) / own,
        "/ spent": wall * max(workers, 1) / spent,
        "parent_mb": watch.root_mb,
        "worker_mb": watch.others_mb,
        "load": psutil.getloadavg()[0],
    }


def scaled(
    sizes: list[int], workers: list[int], names: tuple[str, ...], kinds: list[str]
) -> Iterator[dict[str, Any]]:
    """A row for each size, kind of run and number of workers."""
    run = {"engine": engine, "trial": trial}
    for records in sizes:
        with tempfile.TemporaryDirectory() as folder:
            corpus = repeated(Path(folder) / "corpus", records)
            for kind in kinds:
                for count in workers:
                    work = Path(folder) / f"{kind}-{count}"
                    work.mkdir()
                    yield {"what": kind, **run[kind](corpus, names, count, work)}


def keep(table: pd.DataFrame, names: tuple[str, ...]) -> None:
    """Write the table and its picture."""
    name = "scale" if names else "scale-all"
    heading = made_by(" ".join(["python -m benchmarks.scale", *sys.argv[1:]]))
    about = (
        f"# Time and memory over the number of records\n\n{heading}; detectors: "
        f"{', '.join(names) or 'all'}. `engine` is reading alone, `trial` all that `echotrial run` "
        "does. Peaks of memory are in 10^6 bytes, of the process itself and of its largest "
        f"child.\n\n{ABOUT}\n\n"
    )
    text = table.round(2).to_string(index=False)
    write_text(EVIDENCE / f"{name}.md", f"{about}```text\n{text}\n```\n\n![the same]({name}.svg)\n")
    figure, (time_axis, memory_axis) = plt.subplots(1, 2, figsize=(9, 3.5), layout="constrained")
    for (what, workers), part in table.groupby(["what", "workers"]):
        label = f"{what}, {workers} worker{'s' * (workers > 1)}"
        time_axis.loglog(part["records"], part["wall_s"], "o-", label=label)
        memory_axis.semilogx(part["records"], part["parent_mb"], "o-", label=label)
    memory_axis.axhline(600, linestyle=":", color="grey")
    time_axis.set(xlabel="records", ylabel="wall time, s")
    memory_axis.set(
        xlabel="records", ylabel="peak memory of the parent, 10^6 bytes", ylim=(0, None)
    )
    time_axis.legend(fontsize="small")
    figure.savefig(EVIDENCE / f"{name}.svg", metadata={"Date": None})


def main() -> None:
    """Print the rows, and keep them with `--evidence`."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("records", type=int, nargs="+")
    parser.add_argument("--workers", type=int, nargs="+", default=[2])
    parser.add_argument("--detector", action="append", default=[], help="'all', or these")
    parser.add_argument("--trial", action="store_true", help="whole trials, not the engine alone")
    parser.add_argument("--evidence", action="store_true", help="both, kept with a picture")
    chosen = parser.parse_args()
    names = () if chosen.detector == ["all"] else tuple(chosen.detector) or BASICS
    kinds = ["engine", "trial"] if chosen.evidence else ["trial" if chosen.trial else "engine"]
    rows: list[dict[str, Any]] = []
    for found in scaled(chosen.records, chosen.workers, names, kinds):
        rows.append(found)
        line = pd.DataFrame([found]).round(2)
        print(line.to_string(index=False, header=len(rows) == 1), flush=True)
        if chosen.evidence:
            keep(pd.DataFrame(rows), names)


if __name__ == "__main__":
    main()
