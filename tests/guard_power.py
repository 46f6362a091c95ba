"""Does the comparison find planted regressions? ``python -m tests.guard_power [RUNS]``.

Invented answers to 5,000 records (see `tests.paired_sides.Population`): the same walls before and
after, new noise, one regression planted. The level is divided by 15, as if five detectors on three
corpora were asked at once and all of them had changed. Exit code 1 when a regression is found in
fewer than 90 of 100 runs.
"""

import sys
from collections.abc import Iterator, Mapping
from typing import NamedTuple

import numpy as np
from echotrial.compare import Rules, Verdict, compare
from echotrial.compare.markdown import table

from tests.paired_sides import Population, side

RECORDS, RUNS, PARTS = 5000, 100, 15
RULES = Rules(level=0.05 / PARTS)


class Planted(NamedTuple):
    what: str
    changes: Mapping[str, float]
    quantity: str


PLANTED = (
    Planted("1 percentage point more false locks", {"more_locks": 0.01}, "false lock"),
    Planted("bias of 2 um", {"bias_um": 2.0}, "bias"),
    Planted("spread grown by 20 %", {"spread": 1.2}, "spread"),
    Planted("every reading moved by 1 um, rates kept", {"bias_um": 1.0}, "median error"),
    Planted("median moved by 2 um, mean and rates kept", {"middle_um": 2.0}, "median error"),
    Planted("nothing", {}, ""),
)


class Found(NamedTuple):
    planted: Planted
    runs: int
    worse: int
    named: int


def found(planted: Planted, runs: int, records: int = RECORDS) -> Found:
    """How often the detector is called worse, and how often for what was planted."""
    worse = named = 0
    for run in range(runs):
        people = Population(records, np.random.default_rng([run, len(planted.what)]))
        before = side("A", {"planted": people.draw()}, people.truth)
        after = side("B", {"planted": people.draw(**planted.changes)}, people.truth)
        verdict = compare(before, after, RULES).verdicts[0]
        worse += verdict.verdict is Verdict.WORSE
        named += any(
            j.verdict is Verdict.WORSE and j.finding.quantity == planted.quantity
            for j in verdict.judged
        )
    return Found(planted, runs, worse, named)


def rows(results: list[Found]) -> Iterator[tuple[str, ...]]:
    for result in results:
        named = f"{result.named} of {result.runs}" if result.planted.quantity else "-"
        yield result.planted.what, f"{result.worse} of {result.runs}", named


def main(runs: int = RUNS) -> int:
    results = [found(planted, runs) for planted in PLANTED]
    print("# Power: planted regressions found\n")
    print(f"Made by `python -m tests.guard_power {runs}`: {RECORDS} records, default margins,")
    print(f"level 5 % over {PARTS} detectors and corpora; invented answers, new noise.\n")
    print(table(("planted", "called worse", "for what was planted"), rows(results)))
    ok = all(r.named >= 0.9 * r.runs for r in results if r.planted.quantity)
    return 0 if ok else 1


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
