"""Kill a run at random moments and go on, again and again; compare with an undisturbed one.

``python -m tests.kill_table 50`` does so until 50 kills have struck and prints what came of it, as
kept in benchmarks/evidence/kills.md; exit code 1 unless the readings are the same, byte for byte.
"""

import os
import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pandas as pd
from echotrial.engine import read_corpus

from benchmarks.blocks import made_by
from tests.engine_stand_in import faulty, stand_in

CHUNK = 256


def the_run(records: int, work: Path | None = None, workers: int = 2) -> pd.DataFrame:
    corpus = stand_in(records, poisoned=[5, 300])
    detectors = faulty("slow", "raises", "segfaults", "infinite")
    return read_corpus(corpus, detectors, workers=workers, chunk=CHUNK, work=work).readings


def parts(work: Path) -> int:
    return len(list(work.glob("*/*.arrow")))


def killed(work: Path, records: int, after_s: float) -> bool:
    """Start the run, kill it `after_s` after its first new part; False when it ended before."""
    before = parts(work)
    command = [sys.executable, "-m", "tests.kill_table", "--run", str(work), str(records)]
    run = subprocess.Popen(command, env={**os.environ, "PYTHONPATH": "."})
    while run.poll() is None and parts(work) == before:
        time.sleep(0.002)
    try:
        run.wait(after_s)
    except subprocess.TimeoutExpired:
        run.kill()
    return run.wait() != 0


def kill_and_resume(work: Path, kills: int, records: int, seed: int = 0) -> pd.DataFrame:
    """The readings after that many kills, each at a random moment of what was left to do."""
    moments = random.Random(seed)
    struck = 0
    while struck < kills and killed(work, records, moments.uniform(0, 0.2)):
        struck += 1
        print(f"    kill {struck}: {parts(work)} parts are there", flush=True)
    assert struck == kills, f"the run ended after {struck} kills: give it more records"
    return the_run(records, work)


def main(arguments: list[str]) -> int:
    if arguments[:1] == ["--run"]:
        the_run(int(arguments[2]), Path(arguments[1]))
        return 0
    kills = int(arguments[0]) if arguments else 3
    records = CHUNK * 24 * (kills + 1)
    print(f"# A run killed at random moments\n\n{made_by(f'python -m tests.kill_table {kills}')}.")
    print("Two workers; detectors that raise, die and answer nonsense are among those that run.\n")
    with tempfile.TemporaryDirectory() as folder:
        resumed = kill_and_resume(Path(folder), kills, records)
        left_over = list(Path(folder).rglob("*.part"))
    same = resumed.equals(the_run(records))
    word = "those of an undisturbed run, byte for byte" if same else "NOT THE SAME"
    print(f"\n{kills} kills, {len(resumed)} readings: {word}.")
    print(f"Files half written and left: {len(left_over)}.")
    return 0 if same else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
