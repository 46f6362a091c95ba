"""Compiles detectors in a process of its own, while something else has to be done first."""

from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, wait
from contextlib import contextmanager, suppress
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from echotrial.ascan import Batch
from echotrial.engine.job import DetectorCall
from echotrial.engine.warmup import practice
from echotrial.host import LoadedDetector
from echotrial.setup import Setup

#: Longest wait for it; whatever is not compiled by then the workers compile themselves.
PATIENCE_S = 120.0


@contextmanager
def compiled_meanwhile(
    detectors: Sequence[LoadedDetector], setup: Setup, rate_hz: float, samples: int
) -> Iterator[None]:
    """Compile while the block runs, then wait for the rest; kernels are cached on disk.

    On a machine's first run making corpora and compiling take about as long as each other, and
    otherwise every worker would compile everything. What goes wrong here goes wrong again, and is
    told, when the detector runs. Detectors from single files are left out: they run nowhere but
    under a worker's limits.
    """
    installed = [d for d in detectors if not Path(d.plugin).is_file()]
    calls = [DetectorCall.of(d, {}) for d in installed]
    pool = ProcessPoolExecutor(1, get_context("spawn"))
    under_way = [pool.submit(_compile, calls, setup, rate_hz, samples)] if calls else []
    try:
        yield
        wait(under_way, PATIENCE_S)
    finally:
        processes = list((getattr(pool, "_processes", None) or {}).values())
        pool.shutdown(wait=False, cancel_futures=True)
        for process in processes:
            process.kill()


def _compile(calls: Sequence[DetectorCall], setup: Setup, rate_hz: float, samples: int) -> None:
    for call in calls:
        with suppress(Exception):
            detector, start_s = call.factory()(), max((setup.interface_echo or 0.0) - 1e-6, 0.0)
            settings = detector.Settings.model_validate(call.settings)
            detect = detector.prepare(setup, settings)
            detect(practice(Batch.of(np.zeros((1, samples)), rate_hz, start_s, setup)))
