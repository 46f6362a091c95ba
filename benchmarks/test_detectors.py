"""Microseconds a record of each detector, beside a bare transform pair and a plain scipy loop.

``pytest benchmarks/test_detectors.py -s`` prints the ratios. One core, 1024 records of 1024
float32 samples; compile time is left out. Invented data: metal walls by the method of images.
"""

import time
from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
import scipy.fft
import scipy.signal
from echotrial.ascan import Batch
from echotrial_detectors import detectors

from tests.trains import INTERFACE, RATE, M, setup, trains

RECORDS = 1024
CARD = {
    d.name: d for d in detectors() if d.name in ("threshold", "correlation", "envelope", "cepstral")
}


@cache
def batch() -> Batch:
    walls = np.linspace(0.2e-3, 1.3e-3, RECORDS)
    return trains(setup(), walls, noise=5e-3, loss=0.9)


def fresh() -> Batch:
    """The same records without what an earlier detector left in the batch's cache."""
    one = batch()
    return Batch(one.samples, one.rate_hz, one.start_s, one.setup)


def bare_pair(records: Batch) -> None:
    scipy.fft.irfft(scipy.fft.rfft(records.samples, axis=1), n=M, axis=1)


def plain_threshold(records: Batch) -> None:
    for line in records.samples:
        peaks, _ = scipy.signal.find_peaks(np.abs(line), height=0.05, distance=5)
        if peaks.size > 1:
            np.interp(0.0, -line[peaks[0] : peaks[0] + 2], [0.0, 1.0])


def plain_correlation(records: Batch) -> None:
    pulse = records.setup.reference_echo.samples[int(INTERFACE * RATE) - 20 :][:60]
    for line in records.samples:
        scipy.signal.find_peaks(
            scipy.signal.correlate(line, pulse, "same"), height=0.05, distance=5
        )


def plain_envelope(records: Batch) -> None:
    for line in records.samples:
        scipy.signal.find_peaks(np.abs(scipy.signal.hilbert(line)), height=0.05, distance=5)


def plain_cepstrum(records: Batch) -> None:
    for line in records.samples:
        spectrum = np.log(np.abs(scipy.fft.rfft(line)) + 1e-9)
        scipy.signal.find_peaks(scipy.fft.irfft(spectrum), distance=5)


PLAIN: dict[str, Callable[[Batch], None]] = {
    "threshold": plain_threshold,
    "correlation": plain_correlation,
    "envelope": plain_envelope,
    "cepstral": plain_cepstrum,
}


def best_us(*works: Callable[[Batch], object], rounds: int) -> list[float]:
    """Least processor time of each over some rounds in turn, in microseconds a record."""
    least = [float("inf")] * len(works)
    for _ in range(rounds):
        for i, work in enumerate(works):
            records = fresh()
            start = time.process_time()
            work(records)
            least[i] = min(least[i], time.process_time() - start)
    return [1e6 * took / RECORDS for took in least]


@pytest.mark.parametrize("name", CARD)
def test_detector(benchmark, name):
    benchmark.group = "1024 records of 1024 samples"
    factory = CARD[name]
    detect = factory().prepare(setup(), factory.Settings())
    detect(fresh())  # compiles
    benchmark.pedantic(detect, setup=lambda: ((fresh(),), {}), rounds=20)
    own, pair = best_us(detect, bare_pair, rounds=40)
    (plain,) = best_us(PLAIN[name], rounds=2)
    benchmark.extra_info |= {"us_a_record": own, "pairs": own / pair, "of_plain_loop": own / plain}
    print(
        f"\n{name}: {own:.2f} us a record = {own / pair:.2f} transform pairs of {pair:.2f} us "
        f"= 1/{plain / own:.0f} of a plain scipy loop of {plain:.0f} us"
    )


def test_bare_transform_pair(benchmark):
    benchmark.group = "1024 records of 1024 samples"
    benchmark.pedantic(bare_pair, setup=lambda: ((fresh(),), {}), rounds=20)
