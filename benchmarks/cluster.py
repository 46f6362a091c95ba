"""What a record and a chunk cost on a cluster, and what follows for a very large trial.

``python -m benchmarks.cluster`` reads with two Dask workers on the loopback and prints, for some
chunk sizes, processor time of the workers a record, processor time of scheduler and client a chunk,
and bytes that travel back a record.
"""

import pickle
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd
import psutil
from echotrial import host
from echotrial.corpus.store import Corpus
from echotrial.engine import Cluster, Reading
from echotrial.engine.plan import Span
from echotrial.engine.work import Bench

from benchmarks.scale import BASICS, repeated

RECORDS = 16384
CHUNKS = (256, 1024, 4096)
#: The trial that is planned for.
GOAL = 10**9


def workers_s() -> float:
    """Processor time of everything that this process has started, the living only."""
    found = 0.0
    for process in psutil.Process().children(recursive=True):
        try:
            times = process.cpu_times()
        except psutil.Error:
            continue
        found += times.user + times.system
    return found


def measured(corpus: Corpus, cluster: Cluster, chunk: int) -> dict[str, float]:
    """One run with chunks of a size."""
    run = Reading(corpus, host.load().chosen(BASICS), chunk=chunk, cluster=cluster)
    slices = Bench(run.job).read(Span(0, min(chunk, len(corpus))), range(len(BASICS)))
    back = len(pickle.dumps(slices, protocol=pickle.HIGHEST_PROTOCOL))
    began, spent = time.process_time(), workers_s()
    chunks = sum(1 for _ in run)
    here, there = time.process_time() - began, workers_s() - spent
    return {
        "chunk": chunk,
        "chunks": chunks,
        "workers us/record": 1e6 * there / len(corpus),
        "scheduler and client ms/chunk": 1e3 * here / chunks,
        "bytes back/record": back / min(chunk, len(corpus)),
    }


def main() -> None:
    """Print the table and what follows from it."""
    with tempfile.TemporaryDirectory() as folder, Cluster("local:2") as cluster:
        corpus = repeated(Path(folder) / "corpus", RECORDS)
        measured(corpus, cluster, CHUNKS[-1])  # workers start and load their kernels
        rows = [measured(corpus, cluster, chunk) for chunk in CHUNKS]
    table = pd.DataFrame(rows)
    print(table.round(1).to_string(index=False))
    print(plan(table))


def plan(table: pd.DataFrame) -> str:
    """What follows: the cost of a chunk and of a record in the client, the chunk, the cores."""
    record_ms, chunk_ms = np.polyfit(table["chunk"], table["scheduler and client ms/chunk"], 1)
    worker_us, record_us = table["workers us/record"].min(), 1e3 * record_ms
    chunk = 2 ** int(np.ceil(np.log2(chunk_ms / record_ms)))
    client_us = record_us + 1e3 * chunk_ms / chunk
    return (
        f"scheduler and client: {chunk_ms:.1f} ms a chunk and {record_us:.1f} us a record, so "
        f"chunks of {chunk} records, where the chunk costs no more than its records\n"
        f"one client ({client_us:.1f} us a record) feeds {worker_us / client_us:.0f} cores "
        f"({worker_us:.0f} us a record)\n"
        f"{GOAL:.0e} records: {GOAL * worker_us / 3.6e9:.0f} core hours of workers, "
        f"{GOAL * client_us / 3.6e9:.1f} h of clients, "
        f"{GOAL * table['bytes back/record'].iloc[-1] / 1e9:.0f} GB back"
    )


if __name__ == "__main__":
    main()
