"""Every fault a detector can have, what it may cost, and what it did cost.

``python -m tests.fault_table`` runs them all side by side in worker processes and prints the table;
``--cluster local:2`` does so on a Dask cluster. Exit code 1 when anything else was lost. Kept in
benchmarks/evidence/faults.md and faults-cluster.md.
"""

import sys
from dataclasses import dataclass

import numpy as np
import pandas as pd
from echotrial.engine import Limits, read_corpus

from benchmarks.blocks import made_by
from tests.engine_stand_in import expected_mm, faulty, stand_in

RECORDS = 40
POISONED = (0, 17)
LIMITS = Limits(chunk_s=2, record_s=1, prepare_s=8, memory_bytes=300 << 20)


@dataclass(frozen=True)
class Fault:
    detector: str
    what: str
    status: str = "ok"
    words: str = ""
    everywhere: bool = False


FAULTS = (
    Fault("honest", "nothing"),
    Fault("raises", "raises RuntimeError", "crashed", "RuntimeError: I do not like"),
    Fault("exits", "raises SystemExit", "crashed", "SystemExit"),
    Fault("interrupts", "raises KeyboardInterrupt", "crashed", "KeyboardInterrupt"),
    Fault("hangs", "loops for ever", "timed out", "no answer within 1 s"),
    Fault("sleeps", "sleeps for an hour", "timed out", "no answer within 1 s"),
    Fault("os-exits", "calls os._exit", "crashed", "ended with exit code 0"),
    Fault("segfaults", "reads address 0", "crashed", "killed by SIGSEGV"),
    Fault("eats-memory", "takes all memory", "crashed", "MemoryError"),
    Fault("leaks-memory", "keeps 64 MiB a call"),
    Fault("floods", "prints megabytes"),
    Fault("meddles", "changes numpy's error and random state and the folder"),
    Fault("writes-to-input", "writes to its input", "crashed", "read-only"),
    Fault("unlocks-input", "makes its input writeable", "crashed", "ValueError"),
    Fault("writes-past-the-lock", "writes to its input's memory", "crashed", "wrote to its input"),
    Fault("wrong-shape", "returns the wrong length", "invalid", "shape (0,) for 1 records"),
    Fault("two-dimensional", "returns a field with two axes", "invalid", "shape (1, 2)"),
    Fault("returns-text", "returns text", "crashed", "ValueError"),
    Fault("infinite", "returns infinity", "invalid", "infinite"),
    Fault("negative", "returns a negative thickness", "invalid", "negative"),
    Fault("overconfident", "returns a confidence of 1.5", "invalid", "outside [0, 1]"),
    Fault("dislikes-practice", "dies on the warm-up's A-scans"),
    Fault("not-for-this", "cannot work with the set-up", "not applicable", "needs a", True),
    Fault("prepare-raises", "raises in prepare", "crashed", "prepare: ValueError: no idea", True),
    Fault("prepare-exits", "calls os._exit in prepare", "crashed", "prepare: its process", True),
    Fault("prepare-hangs", "hangs in prepare", "timed out", "prepare: no answer within 8", True),
    Fault("honest-twin", "nothing, and runs after all of them"),
)


def run(**options) -> pd.DataFrame:
    """Readings of all faulty detectors over one corpus with poisoned records."""
    detectors = faulty(*(f.detector for f in FAULTS))
    corpus = stand_in(RECORDS, poisoned=POISONED)
    return read_corpus(corpus, detectors, limits=LIMITS, **options).readings


def expected_lost(fault: Fault) -> list[int]:
    if fault.status == "ok":
        return []
    return list(range(RECORDS)) if fault.everywhere else list(POISONED)


def complaint(fault: Fault, readings: pd.DataFrame) -> str:
    """What differs from what that fault may cost; empty where nothing does."""
    frame = readings[readings["detector"] == fault.detector].set_index("record")
    if len(frame) != RECORDS:
        return f"{len(frame)} rows for {RECORDS} records"
    lost = frame.index[frame["status"] != "ok"].tolist()
    if lost != expected_lost(fault):
        return f"lost {lost}: {frame['note'].max()}"
    if not (frame.loc[lost, "status"] == fault.status).all():
        return f"status {frame.loc[lost, 'status'].tolist()}"
    if not frame.loc[lost, "note"].str.contains(fault.words, regex=False).all():
        return f"note {frame.loc[lost, 'note'].tolist()}"
    kept = frame.index.difference(lost)
    answers = expected_mm(stand_in(RECORDS, poisoned=POISONED))
    if not np.array_equal(frame.loc[kept, "thickness_mm"], answers[kept]):
        return "readings of good records changed"
    return ""


def main(arguments: list[str]) -> int:
    options = {"cluster": arguments[1]} if arguments[:1] == ["--cluster"] else {"workers": 2}
    readings = run(**options)
    wrong = 0
    command = " ".join(["python -m tests.fault_table", *arguments])
    print(f"# What a faulty detector costs\n\n{made_by(command)}.")
    print(
        f"Records {POISONED[0]} and {POISONED[1]} of {RECORDS} are those that a fault strikes at.\n"
    )
    print("```text")
    print(f"{'the detector':<55}{'lost':>6}  {'status':<16}verdict")
    for fault in FAULTS:
        trouble = complaint(fault, readings)
        wrong += bool(trouble)
        lost = (readings["detector"] == fault.detector) & (readings["status"] != "ok")
        share = f"{lost.sum()}/{RECORDS}"
        print(f"{fault.what:<55}{share:>6}  {fault.status:<16}{trouble or 'as it should be'}")
    print("```")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
