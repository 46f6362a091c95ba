"""Memory of building, checking and showing a corpus: ``python -m benchmarks.corpus_memory 10000``.

One process for each command and size. Memory is what the process has to itself, at its largest: the
waveforms are mapped, and pages of a mapped file are given back when somebody else wants them. The
records are short (128 samples) and have no bound: what grows hangs on their number alone.
"""

import argparse
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import numpy as np
import psutil

COMMANDS = ("build", "check", "show")
SPEC = """
name = "many"
about = "For measuring memory."
rate = "50 MHz"
samples = 128
lead = "0.4 us"
probe = { centre_frequency = "10 MHz", bandwidth = "6 MHz", element_diameter = "3 mm" }
delay_line = { material = "polystyrene", length = "5 mm" }
couplant = { material = "glycerin", gap = "5 um", strips = 1 }
wall = { material = "stainless 316", thickness = { from = "0.4 mm", to = "1.2 mm" } }
receiver = { band = ["2 MHz", "20 MHz"], snr = { from = "30 dB", to = "44 dB" } }
"""


def work(command: str, records: int, folder: Path) -> None:
    """What one process does."""
    import echotrial_corpora.records as made
    from echotrial import host
    from echotrial.corpus import show
    from echotrial.corpus.build import build
    from echotrial.corpus.check import check
    from echotrial.corpus.store import Corpus

    if command == "build":
        vars(made)["sampled_bound_m"] = lambda spec, params, *_: np.full(params.size, np.nan)
        path = folder / "many.toml"
        path.write_text(SPEC, encoding="utf-8")
        loaded = host.load(allow=["corpora"])
        spec = loaded.forward_model.read_spec(path)
        build(loaded, spec, size={"prove": records, "tune": 0}, out=folder / "made")
    elif command == "check":
        check(Corpus.open(folder / "made"))
    else:
        show.page(Corpus.open(folder / "made"), folder / "made.html")


def watched(command: str, records: int, folder: Path) -> str:
    """Do it and say what it took; in a process of its own."""
    me, peak = psutil.Process(), [0]

    def watch() -> None:
        while True:
            memory = me.memory_info()
            peak[0] = max(peak[0], memory.rss - memory.shared)
            time.sleep(0.01)

    threading.Thread(target=watch, daemon=True).start()
    start = time.process_time()
    work(command, records, folder)
    spent = time.process_time() - start
    return f"{command:7} {records:9,} records {peak[0] / 1e6:6.0f} MB {spent:7.1f} s"


def main() -> None:
    """Print one line for each size and command."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.corpus_memory")
    parser.add_argument("records", type=int, nargs="+")
    parser.add_argument("--one", nargs=2, metavar=("COMMAND", "FOLDER"), help=argparse.SUPPRESS)
    wanted = parser.parse_args()
    if wanted.one:
        print(watched(wanted.one[0], wanted.records[0], Path(wanted.one[1])), flush=True)
        return
    for records in wanted.records:
        with tempfile.TemporaryDirectory() as folder:
            for command in COMMANDS:
                words = [str(records), "--one", command, folder]
                subprocess.run(
                    [sys.executable, "-m", "benchmarks.corpus_memory", *words], check=True
                )


if __name__ == "__main__":
    main()
