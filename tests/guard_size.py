"""Does the comparison cry wolf? ``python -m tests.guard_size [COMPARISONS]``.

The same walls, new noise, the same detector: nothing changed, so every verdict but "same" and
"undecided" is a false alarm. Two ways to make answers: shipped detectors on A-scans of the
time-domain lattice (no part of the forward model), whose noise is drawn anew for every comparison;
and the invented answers of `tests.paired_sides`. Exit code 1 when there are more alarms than the
95 % upper quantile of the binomial at the stated level.
"""

import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pandas as pd
from echotrial import host as hosts
from echotrial.ascan import Batch
from echotrial.compare import Comparison, Side, answers, compare
from echotrial.compare.markdown import table
from echotrial.outcome import NO_OFFSETS, classify
from scipy import stats

from tests.paired_sides import Population, side
from tests.timedomain import exam

COMPARISONS, LEVEL, RECORDS = 200, 0.05, 300
DETECTORS = ("threshold", "correlation", "envelope", "cepstral")
NOISE_DB = 34.0
Draw = Callable[[int], Comparison]


class Alarms(NamedTuple):
    """`significant` differences at all; `worse`: those that are worse by more than the margin."""

    what: str
    comparisons: int
    significant: int
    worse: int

    @property
    def allowed(self) -> int:
        return int(stats.binom.ppf(0.95, self.comparisons, LEVEL))


def count(what: str, draw: Draw, comparisons: int) -> Alarms:
    found = [draw(i) for i in range(comparisons)]
    significant = sum(
        any(j.finding.p_adjusted <= LEVEL for v in c.verdicts for j in v.judged) for c in found
    )
    return Alarms(what, comparisons, significant, sum(c.exit_code == 1 for c in found))


def quiet_exam(kind: str, records: int) -> tuple[Batch, pd.DataFrame]:
    """An exam with noise 90 dB down, so that noise can be added; the truth is that of the walls."""
    exam.KINDS["quiet"] = replace(exam.KINDS[kind], snr_db=(90, 90))
    return exam.make_exam("quiet", records, seed=1)


def shipped(kind: str, records: int) -> Draw:
    """Comparisons of shipped detectors with themselves under new noise."""
    batch, truth = quiet_exam(kind, records)
    setup, host = batch.setup, hosts.load()
    peak = np.abs(batch.samples).max(axis=1, keepdims=True) * 10 ** (-NOISE_DB / 20)
    detects = {d.name: d.factory().prepare(setup, d.settings({})) for d in host.chosen(DETECTORS)}

    def noisy(seed: list[int]) -> Side:
        noise = np.random.default_rng(seed).standard_normal(batch.samples.shape)
        heard = Batch.of(batch.samples + peak * noise, batch.rate_hz, batch.start_s, setup)
        return side(
            "noise",
            {name: _answers(detect(heard), truth, setup) for name, detect in detects.items()},
            truth,
            scoring=scoring,
        )

    low, high = setup.wall_range
    scoring = {
        "tolerance": {"relative": "1 %", "absolute": "5 um"},
        "wall_range": [f"{1e3 * low} mm", f"{1e3 * high} mm"],
    }
    return lambda i: compare(noisy([i, 0]), noisy([i, 1]))


def _answers(readings: object, truth: pd.DataFrame, setup: object) -> object:
    frame = pd.DataFrame(
        {
            "record": truth["record"],
            "thickness_mm": 1e3 * readings.thickness_m,
            "first_echo_us": 1e6 * readings.first_echo_s,
            "second_echo_us": 1e6 * readings.second_echo_s,
            "spans": readings.spans,
            "status": "ok",
        }
    )
    found = classify(frame, truth, setup, NO_OFFSETS)
    return answers(found["outcome"], found["direction"], found["error_um"])


def invented(records: int) -> Draw:
    def draw(i: int) -> Comparison:
        people = Population(records, np.random.default_rng([i, records]))
        sides = (
            side(label, {str(k): people.draw() for k in range(3)}, people.truth) for label in "AB"
        )
        return compare(*sides)

    return draw


def rows(results: list[Alarms]) -> Iterator[tuple[str, ...]]:
    for r in results:
        yield r.what, str(r.comparisons), str(r.significant), str(r.worse), str(r.allowed)


def results(comparisons: int) -> list[Alarms]:
    detectors = ", ".join(DETECTORS)
    return [
        count(f"{detectors} on {kind}, {RECORDS} A-scans", shipped(kind, RECORDS), comparisons)
        for kind in ("metal", "nylon-matched")
    ] + [count("three invented detectors, 1000 records", invented(1000), comparisons)]


def main(comparisons: int = COMPARISONS) -> int:
    found = results(comparisons)
    print("# Size: false alarms where nothing changed\n")
    print(f"Made by `python -m tests.guard_size {comparisons}`: the same walls and detectors, new")
    print(f"noise; level {100 * LEVEL:g} % over all questions of a comparison, default margins.\n")
    heads = ("what", "comparisons", "any significant difference", "called worse", "allowed")
    print(table(heads, rows(found)))
    return 0 if all(max(r.significant, r.worse) <= r.allowed for r in found) else 1


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
