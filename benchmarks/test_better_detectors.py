"""Microseconds a record of the model fit and the other better detectors, and what they compare to.

``pytest benchmarks/test_better_detectors.py -s`` prints the table. One core, 1024 records of 1024
float32 samples; compile time and ``prepare`` are left out. Beside each: its ratio to the bare work
below it (one forward-inverse transform of the same batch; for the model fit the bare matrix product
of its grid) and to a plain scipy loop over records. Invented data: metal walls by the method of
images.
"""

import time
from collections.abc import Callable
from functools import cache

import numpy as np
import pytest
import scipy.fft
import scipy.optimize
import scipy.signal
from echotrial.ascan import Batch
from echotrial_detectors import detectors
from echotrial_detectors.fit.grid import TILE
from echotrial_detectors.fit.stack import stack_of
from echotrial_detectors.model_fit import ModelFitSettings, _plan

from tests.trains import INTERFACE, RATE, M, setup, trains

RECORDS = 1024
BETTER = {
    d.name: d
    for d in detectors()
    if d.name not in ("threshold", "correlation", "envelope", "cepstral")
}


@cache
def batch() -> Batch:
    walls = np.linspace(0.12e-3, 1.3e-3, RECORDS)
    return trains(setup(), walls, noise=5e-3, loss=0.97)


def fresh() -> Batch:
    """The same records without what an earlier detector left in the batch's cache."""
    one = batch()
    return Batch(one.samples, one.rate_hz, one.start_s, one.setup)


def best_us(work: Callable[[Batch], object], rounds: int = 3, records: int = RECORDS) -> float:
    """Least processor time of some rounds, in microseconds a record."""
    took = []
    for _ in range(rounds):
        one = fresh() if records == RECORDS else fresh().take(slice(0, records))
        began = time.process_time()
        work(one)
        took.append(time.process_time() - began)
    return 1e6 * min(took) / records


def bare_pair(records: Batch) -> None:
    scipy.fft.irfft(scipy.fft.rfft(records.samples, axis=1), n=M, axis=1)


def bare_product(records: Batch) -> None:
    matrix = grid_matrix()
    tile = np.ones((TILE, matrix.shape[0]), np.float32)
    for _ in range(len(records) // TILE):
        tile @ matrix


@cache
def grid_matrix() -> np.ndarray:
    known = setup()
    return _plan(known, ModelFitSettings(), stack_of(known), RATE).how.grid.few


def plain_fit(records: Batch) -> None:
    """The plain loop: one echo train of four unknowns under the pulse, by ``least_squares``."""
    spectrum = scipy.fft.rfft(records.setup.reference_echo.samples)
    f = np.fft.rfftfreq(M, 1 / RATE)

    def train(p: np.ndarray) -> np.ndarray:
        trip = np.exp(-2j * np.pi * f * p[0] * 1e-9) * 0.9
        answer = p[1] + p[2] * trip / (1 - p[3] * trip)
        return scipy.fft.irfft(spectrum * answer, n=M)

    for line in records.samples:
        scipy.optimize.least_squares(
            lambda p, y=line: train(p) - y, [300.0, -1.0, 0.2, 0.9], max_nfev=10
        )


def plain_correlation(records: Batch) -> None:
    pulse = records.setup.reference_echo.samples[int(INTERFACE * RATE) - 20 :][:60]
    for line in records.samples:
        scipy.signal.find_peaks(
            scipy.signal.correlate(line, pulse, "same"), height=0.05, distance=5
        )


def plain_autocorrelation(records: Batch) -> None:
    for line in records.samples:
        scipy.signal.find_peaks(scipy.signal.correlate(line, line, "same", method="fft"))


@pytest.mark.slow
def test_table() -> None:
    pair, product = best_us(bare_pair), best_us(bare_product)
    loops = {
        "model-fit": best_us(plain_fit, 1, 16),
        "autocorrelation": best_us(plain_autocorrelation, 1, 256),
    }
    other = best_us(plain_correlation, 1, 256)
    print(f"\nbare transform pair {pair:.1f} us, bare matrix product {product:.1f} us a record")
    print("detector            us/record  pairs  products  of the plain loop")
    for name, kind in BETTER.items():
        detect = kind().prepare(setup(), kind.Settings())
        detect(fresh())
        took = best_us(detect)
        loop = loops.get(name, other)
        print(
            f"{name:18s} {took:10.1f} {took / pair:6.1f} {took / product:9.1f} {took / loop:10.3f}"
        )
        if name == "model-fit":
            assert took < loop / 5
