"""Whole trials of all detectors at size ``standard``, by cores and workers.

``python -m benchmarks.trial_speed`` times ``echotrial run`` on the default corpora and on all that
are shipped, each with one worker kept to one core, with one worker, and with two; the table goes to
benchmarks/evidence/trial-speed.md. Corpora are made before, where they are not there yet. With
``--smoke`` they are tiny and the table is only printed.

A worker has the reading to itself, but outcomes, scores and the page are the parent's work: where
there is a core to spare they cost nothing, so one worker on two cores is faster than on one.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import psutil
from echotrial import open_trial
from echotrial.files import write_text

from benchmarks.all_detectors import SPECS
from benchmarks.blocks import made_by
from benchmarks.own_time import ABOUT, own_and_spent_s
from benchmarks.scale import Watch

EVIDENCE = Path(__file__).parent / "evidence" / "trial-speed.md"
#: Cores and workers of the runs compared.
RUNS = ((1, 1), (2, 1), (2, 2))
GAIN = """\
`gain`: wall time of one worker on one core over that of the row. Peaks of memory in 10^6 bytes."""


def timed(specs: Sequence[str], size: str, cores: int, workers: int) -> dict[str, Any]:
    """Run the command on some cores and say what it took."""
    everywhere = os.sched_getaffinity(0)
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "trial"
        command = [sys.executable, "-c", "from echotrial.cli import main; main()", "run", *specs]
        arguments = ["--size", size, "--out", str(out), "--workers", str(workers)]
        os.sched_setaffinity(0, set(sorted(everywhere)[:cores]))
        try:
            began = time.perf_counter()
            process = subprocess.Popen([*command, *arguments], stdout=subprocess.DEVNULL)
            with Watch(process.pid) as watch:
                code = process.wait()
            wall = time.perf_counter() - began
        finally:
            os.sched_setaffinity(0, everywhere)
        assert code == 0
        info = open_trial(out).info
    records = {c["name"]: c["prove"] + c["tune"] for c in info["corpora"]}
    seconds = pd.DataFrame(info["seconds_per_record"]).set_index("detector")
    both = [
        own_and_spent_s(part["seconds"].to_dict(), records[str(corpus)])
        for corpus, part in seconds.groupby("corpus")
    ]
    own, spent = np.sum(both, axis=0)
    return {
        "corpora": len(records),
        "records": sum(records.values()),
        "cores": cores,
        "workers": workers,
        "wall_s": wall,
        "cpu_s": watch.cpu_s,
        "own_s": own,
        "spent_s": spent,
        "wall x workers / own": wall * workers / own,
        "/ spent": wall * workers / spent,
        "parent_mb": watch.root_mb,
        "worker_mb": watch.others_mb,
        "load": psutil.getloadavg()[0],
    }


def main() -> None:
    """Time them all, print the table, keep it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--smoke", action="store_true", help="tiny corpora; print only")
    size = "smoke" if parser.parse_args().smoke else "standard"
    found = []
    for specs in ([], SPECS):
        timed(specs, size, 2, 2)  # makes corpora, loads what is on the disk
        rows = [timed(specs, size, cores, workers) for cores, workers in RUNS]
        found += [{**row, "gain": rows[0]["wall_s"] / row["wall_s"]} for row in rows]
    text = pd.DataFrame(found).round(2).to_string(index=False)
    print(text)
    if size == "standard":
        heading = (
            f"# Whole trials\n\n{made_by('python -m benchmarks.trial_speed')}.\n\n{ABOUT} {GAIN}"
        )
        write_text(EVIDENCE, f"{heading}\n\n```text\n{text}\n```\n")


if __name__ == "__main__":
    main()
