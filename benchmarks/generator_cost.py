"""What each effect costs the generator: ``python -m benchmarks.generator_cost [--out FILE.md]``.

Every effect on, then each one off in turn, and the bare model; the Cramer-Rao bound, which one
record in eight gets, apart. The variants take turns, so that the ratios hold on a busy machine, and
a forward-inverse transform pair of the same records stands beside them as a unit. Processor time of
one thread, least of ROUNDS.
"""

import argparse
import os
import time
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import echotrial_corpora.records as made
import numpy as np
import scipy.fft
from echotrial_corpora.bound import bound_m
from echotrial_corpora.draw import draw

from benchmarks.test_generator import COUNT, EFFECTS, LEAST, make, no_bound, with_effects

ROUNDS = 9
HEAD = """\
# What each effect costs the generator

Made by `python -m benchmarks.generator_cost` on {day:%Y-%m-%d}: records of 1024 samples, 9 strips,
one core, processor time, least of {rounds} rounds in turn. Wanted: {least} records a second with
every effect on. On a busy machine processor time is longer too, and so is the transform pair's; the
load here was {load:.0f} on {cpus} cores.

| | us a record | of every effect | records a second |
| --- | --- | --- | --- |
"""
ALL, PAIR, BOUND = "every effect", "one rfft-irfft pair", "the bound, of a record that has it"


def transform_pair() -> None:
    """The unit."""
    scipy.fft.irfft(scipy.fft.rfft(_NOISE, axis=1), _NOISE.shape[1], axis=1)


_NOISE = np.random.default_rng(0).standard_normal((COUNT, 1024))


def variants() -> dict[str, tuple[Callable[[], object], int]]:
    """Work and its number of records, by name."""
    found: dict[str, tuple[Callable[[], object], int]] = {}
    names = [name for name in EFFECTS if name != "bare"]
    found[ALL] = partial(make, with_effects(*names)), COUNT
    for name in names:
        rest = with_effects(*(other for other in names if other != name))
        found[f"without {name}"] = partial(make, rest), COUNT
    found["none of them"] = partial(make, with_effects()), COUNT
    spec = with_effects(*names)
    params = draw(spec, ("benchmark",), 64)
    found[BOUND] = partial(bound_m, spec, params, np.ones(64), np.full(64, 0.01)), 64
    found[PAIR] = transform_pair, COUNT
    return found


def measured() -> dict[str, float]:
    """Microseconds of a record, by variant."""
    made.sampled_bound_m = no_bound
    work = variants()
    for run, _ in work.values():
        run()  # compiles, makes tables
    best = dict.fromkeys(work, np.inf)
    for _ in range(ROUNDS):
        for name, (run, count) in work.items():
            start = time.process_time()
            run()
            best[name] = min(best[name], 1e6 * (time.process_time() - start) / count)
    return best


def table(us: dict[str, float]) -> str:
    """The measurements as a page."""
    whole = us[ALL]
    rows = "\n".join(
        f"| {name} | {time_us:.0f} | {time_us / whole:.2f} | {1e6 / time_us:.0f} |"
        for name, time_us in us.items()
    )
    head = HEAD.format(
        day=datetime.now(UTC),
        rounds=ROUNDS,
        least=LEAST,
        load=os.getloadavg()[0],
        cpus=os.cpu_count(),
    )
    return head + rows + "\n"


def main() -> None:
    """Print the table; write it too where a file is named."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.generator_cost")
    parser.add_argument("--out", type=Path, metavar="FILE", help="where the table goes too")
    wanted = parser.parse_args()
    page = table(measured())
    print(page)
    if wanted.out:
        wanted.out.write_text(page, encoding="utf-8")


if __name__ == "__main__":
    main()
