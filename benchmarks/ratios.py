"""What each part costs a record, beside what it is compared to in the same run.

``python -m benchmarks.ratios`` prints the table. ``--accept`` writes the ratios to
.ci/benchmark-ratios.toml, ``--gate`` compares with them and exits 1 where one has grown beyond the
margin, and ``--readme`` puts the table into README.md.

Processor time of one thread, least of some rounds. Ratios and not times are kept, because they
hang on the machine far less. The records are those of the built-in stainless tube's corpus.
"""

import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import scipy.fft
import scipy.signal
from echotrial import host
from echotrial.ascan import Batch
from echotrial.corpus.manifest import Counts, Description
from echotrial.corpus.store import Corpus, CorpusWriter
from echotrial.engine import Reading
from echotrial.engine.plan import LARGEST_CHUNK
from echotrial.outcome import classify, judge
from echotrial.scores import joined, panel_of, score_panels
from obspy.signal.trigger import aic_simple

from benchmarks import blocks, gate
from benchmarks.own_time import own_and_spent_s
from benchmarks.scale import BASICS, original, repeated

RECORDS = 1024
MANY = 4 * LARGEST_CHUNK
ROUNDS = 3


@dataclass(frozen=True)
class Line:
    """A part, its microseconds a record, and those of its peer."""

    part: str
    peer: str
    us: float
    peer_us: float

    @property
    def name(self) -> str:
        """What the ratio is known by."""
        return f"{self.part} / {self.peer}"

    @property
    def ratio(self) -> float:
        """Cost in units of the peer's."""
        return self.us / self.peer_us


def best_us(work: Callable[[], object], records: int, rounds: int = ROUNDS) -> float:
    """Least processor time of some rounds, in microseconds a record."""
    took = []
    for _ in range(rounds):
        began = time.process_time()
        work()
        took.append(time.process_time() - began)
    return 1e6 * min(took) / records


@cache
def corpus() -> Corpus:
    return original()


@cache
def many() -> tuple[Corpus, tempfile.TemporaryDirectory[str]]:
    """So many records that what a run costs before its first one is shared by them."""
    folder = tempfile.TemporaryDirectory()
    return repeated(Path(folder.name) / "many", MANY), folder


def batch() -> Batch:
    """Records as a chunk brings them, without what a detector before left in it."""
    return corpus().batch(0, RECORDS)


# -- peers ----------------------------------------------------------------------------------------


def transform_pair() -> None:
    samples = batch().samples
    scipy.fft.irfft(scipy.fft.rfft(samples, axis=1), n=samples.shape[1], axis=1)


def memory_copy() -> None:
    np.array(SAMPLES[0])


def plain_loop() -> None:
    """Envelope and its peaks, one record at a time: the least that most ideas begin with."""
    for line in batch().samples[:256]:
        scipy.signal.find_peaks(np.abs(scipy.signal.hilbert(line)), height=0.05, distance=5)


def obspy_loop() -> None:
    """The onset picker of a library of seismology, one record at a time."""
    for line in SAMPLES[0][:256]:
        aic_simple(line)


SAMPLES: list[np.ndarray] = []


# -- parts ----------------------------------------------------------------------------------------


def detector_lines() -> Iterator[Line]:
    loop = best_us(plain_loop, 256)
    picker = best_us(obspy_loop, 256)
    for found in host.load().chosen():
        detect = found.factory().prepare(corpus().setup, found.factory.Settings())
        detect(batch())  # compiles
        us = best_us(lambda detect=detect: detect(batch()), RECORDS)
        # right after it: a pair costs twice as much before the process has grown as when it has
        pair = best_us(transform_pair, RECORDS, 10)
        yield Line(found.name, "transform pair", us, pair)
        if found.name in BASICS:
            yield Line(found.name, "plain scipy loop", us, loop)
        if found.name == "onset":
            yield Line(found.name, "obspy's picker", us, picker)


def generator_line() -> Line:
    loaded = host.load()
    spec = loaded.forward_model.spec_of(corpus().manifest.synthetic.spec)
    loaded.forward_model.records(spec, "prove", 1, 0, 64)
    us = best_us(lambda: loaded.forward_model.records(spec, "prove", 1, 0, 512), 512)
    return Line("generator", "transform pair", us, best_us(transform_pair, RECORDS))


def store_lines() -> Iterator[Line]:
    copy = best_us(memory_copy, RECORDS, 10)
    yield Line("store: read", "memory copy", best_us(batch, RECORDS, 10), copy)
    made, rows = corpus(), np.array(corpus().stored[:RECORDS])
    known, truth = made.known.iloc[:RECORDS], made.truth.iloc[:RECORDS]

    def write() -> None:
        about = Description(name="copy", origin="synthetic", about="for benchmarks only")
        with tempfile.TemporaryDirectory() as folder:
            where, counts = Path(folder) / "copy", Counts(prove=RECORDS)
            with CorpusWriter(where, about, made.setup, made.sampling, counts) as writer:
                writer.append(rows, known, truth)

    def write_bytes() -> None:
        with tempfile.TemporaryDirectory() as folder:
            np.save(Path(folder) / "rows.npy", rows)

    us = best_us(write, RECORDS)
    yield Line("store: write", "numpy.save", us, best_us(write_bytes, RECORDS))


def engine_line(names: tuple[str, ...], label: str) -> Line:
    """All records through the engine in this process, beside what its detectors took and one
    reading of the waveforms; by the clock on the wall, which is the one the engine has.
    """
    made, found = many()[0], []
    for _ in range(ROUNDS + 1):  # the first one compiles
        run = Reading(made, host.load().chosen(names), chunk=LARGEST_CHUNK)
        began = time.perf_counter()
        for _ in run:
            pass
        read = time.perf_counter()
        made.batch(0, len(made))
        took, once = read - began, time.perf_counter() - read
        _, spent = own_and_spent_s(run.seconds_per_record, len(made))
        found.append((took, spent + once))
    took, least = min(found[1:], key=lambda pair: pair[0] / pair[1])
    scale = 1e6 / len(made)
    return Line(f"engine, {label}", "its detectors and one reading", took * scale, least * scale)


def judged_lines() -> Iterator[Line]:
    """Outcomes and scores of the four basic detectors, a reading."""
    made, detectors = corpus(), host.load().chosen(BASICS)
    readings = pd.concat(list(Reading(made, detectors)), ignore_index=True)
    outcomes, offsets = judge(readings, made.truth, made.setup)
    scored = joined(readings, outcomes, made.truth)
    panel, tune = panel_of(scored, made.setup), panel_of(scored, made.setup, "tune")
    n = len(readings)
    mark_us, echo_us = readings["first_echo_us"].to_numpy(), np.zeros((n, 8))

    def nearest() -> None:
        np.argmin(np.abs(mark_us[:, None] - echo_us), axis=1)

    def counted() -> None:
        for part in ("true_thickness_mm", "snr_db", "tail_to_echo_db"):
            scored.groupby(["detector", "outcome", pd.cut(scored[part], 6)], observed=True).size()

    work = best_us(lambda: classify(readings, made.truth, made.setup, offsets), n)
    yield Line("outcome of a reading", "nearest of eight echoes", work, best_us(nearest, n, 10))
    work = best_us(lambda: score_panels(panel, tune, origin="synthetic"), n)
    yield Line("scores of a reading", "three counts by strata", work, best_us(counted, n))


def lines() -> Iterator[Line]:
    """Every line of the table."""
    SAMPLES[:] = [batch().samples]
    yield from detector_lines()
    yield generator_line()
    yield from store_lines()
    yield engine_line(BASICS, "four basic detectors")
    yield engine_line((), "all detectors")
    yield from judged_lines()


def table(found: list[Line]) -> str:
    """The lines as text of fixed width."""
    head = f"{'part':28s} {'us':>8s}  {'beside':30s} {'us':>8s} {'ratio':>8s}"
    rows = [
        f"{x.part:28s} {x.us:8.2f}  {x.peer:30s} {x.peer_us:8.2f} {x.ratio:8.2f}" for x in found
    ]
    return "\n".join([head, *rows])


def main(arguments: list[str]) -> int:
    """Measure, print, and do what is asked for with the result."""
    found = list(lines())
    ratios = {line.name: line.ratio for line in found}
    print(table(found))
    if "--accept" in arguments:
        gate.accept(ratios)
    if "--readme" in arguments:
        heading = blocks.made_by("python -m benchmarks.ratios --readme")
        text = f"{heading}; microseconds a record:\n\n```text\n{table(found)}\n```"
        blocks.put("benchmarks", text)
    if "--gate" in arguments:
        verdict = gate.compared(ratios, gate.committed())
        print(f"\n{verdict.text}")
        return verdict.exit_code
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
