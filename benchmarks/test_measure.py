"""Records a second that ``measure`` reads with the threshold detector, on one core.

``pytest benchmarks/test_measure.py -s`` prints them. Wanted are more than 10,000; measured were
18,600 to 49,800 (CPU time, two-core x86_64 shared by others) on 24,000 computed records of 1024
samples around a titanium tube, of which 68 to 75 % were read.
"""

import time

import numpy as np
import pytest
from echotrial import host
from echotrial.choose.budget import Sources
from echotrial.choose.measure import measure
from echotrial.choose.method import Method
from echotrial.choose.traces import Traces

from tests.trains import RATE, setup, trains

RECORDS = 20_000
SOURCES = Sources(0.6e-9, 0.5e-6, 2.5e-3, 2.0, 1.8e-4)


@pytest.mark.parametrize("mode", [2, 3])
def test_threshold(mode):
    installed = host.load()
    found = installed.detectors["threshold"]
    known = setup()
    method = Method(
        "speed", known, RATE, found.name, found.version, found.source_digest, {"mode": mode}, mode,
        tuple((w, SOURCES) for w in known.wall_range), None, None, {},
    )  # fmt: skip
    few = trains(known, np.linspace(*known.wall_range, 1000), noise=5e-3, loss=0.9)
    samples = np.tile(few.samples, (RECORDS // 1000, 1))
    start = np.tile(few.start_s, RECORDS // 1000)
    first = Traces("compile", samples[:64], RATE, start[:64], known)
    measure(method, first, installed)
    cpu = time.process_time()
    table = measure(method, Traces("timed", samples, RATE, start, known), installed)
    seconds = time.process_time() - cpu
    read = int(table["thickness_mm"].notna().sum())
    print(f"\nmode {mode}: {RECORDS / seconds:,.0f} records a second, {read} of {RECORDS} read")
    assert len(table) == RECORDS
    assert read > RECORDS // 2
