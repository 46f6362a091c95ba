"""Filters by a few taps."""

import numpy as np
import pytest
import scipy.fft
from echotrial.ascan import Batch
from echotrial_detectors.autocorrelation import Autocorrelation
from echotrial_detectors.correlation import Correlation, sharpened_filter
from echotrial_detectors.envelope import Envelope
from echotrial_detectors.fir import COUNTS, NO_TAPS, OFF_AT_MOST, Fir, few_taps, filtered
from echotrial_detectors.noise import fixed
from echotrial_detectors.pulse import frequencies, pulse_spectrum
from echotrial_detectors.tiles import TILE, portions

from tests.trains import RATE, M, setup, trains

PULSE = pulse_spectrum(setup(), frequencies(M, RATE))


@pytest.mark.parametrize("lead", [0, 5, 15])
def test_taps_are_a_correlation_with_the_weights(lead):
    rng = np.random.default_rng(3)
    samples = rng.standard_normal((3, 70)).astype(np.float32)
    fir = Fir(rng.standard_normal(16).astype(np.float32), lead)
    found = np.full((3, 70), np.nan, np.float32)
    filtered(fixed(samples), fir, np.zeros(70 + 16, np.float32), found)
    for record, line in zip(samples, found, strict=True):
        padded = np.concatenate([np.zeros(lead), record, np.zeros(16 - lead)])
        wanted = np.correlate(padded, fir.weights, "valid")[:70]
        np.testing.assert_allclose(line, wanted, rtol=0, atol=1e-5)


def test_few_taps_do_to_an_echo_what_the_transfer_does():
    sharpener = sharpened_filter(setup(), M, RATE, 6.0)
    assert sharpener.fir.weights.size in COUNTS
    echo = np.roll(scipy.fft.irfft(PULSE, n=M), 400).astype(np.float32)
    batch = Batch.of(np.tile(echo, (TILE + 1, 1)), RATE, 0.0, setup())
    whole = [part.signal.copy() for part in portions(batch, sharpener.transfer)]
    taps = [part.signal.copy() for part in portions(batch, sharpener.transfer, fir=sharpener.fir)]
    assert [len(part) for part in taps] == [TILE, 1]
    wanted, found = np.concatenate(whole), np.concatenate(taps)
    off = np.linalg.norm(found - wanted, axis=1) / np.linalg.norm(wanted, axis=1)
    assert np.all(off < 1.1 * OFF_AT_MOST)


def test_a_delay_is_one_tap():
    delay = np.exp(-2j * np.pi * np.arange(PULSE.size) * 4 / M)
    fir = few_taps(delay, PULSE, M)
    assert fir.weights.size == COUNTS[0]
    assert np.argmax(fir.weights) == fir.lead - 4
    assert np.sort(np.abs(fir.weights))[-2] < 1e-3 < 0.999 < fir.weights.max()


def test_a_long_filter_wants_a_transform():
    cycles = np.arange(PULSE.size) / M
    assert (
        few_taps(np.exp(-2j * np.pi * cycles * 4) + np.exp(2j * np.pi * cycles * 90), PULSE, M)
        is NO_TAPS
    )


@pytest.mark.parametrize("factory", [Correlation, Envelope, Autocorrelation])
def test_with_and_without_taps_the_same_walls_are_read(monkeypatch, factory):
    known = setup()
    batch = trains(known, np.linspace(0.3e-3, 1.2e-3, 200), noise=5e-3, loss=0.9)
    few = factory().prepare(known, factory.Settings())(batch)
    for module in ("correlation", "envelope"):
        monkeypatch.setattr(f"echotrial_detectors.{module}.few_taps", lambda *_: NO_TAPS)
    whole = factory().prepare(known, factory.Settings())(batch)
    assert np.count_nonzero(few.answered != whole.answered) <= 4
    both = few.answered & whole.answered
    assert np.count_nonzero(both) > 150
    apart = np.abs(few.thickness_m - whole.thickness_m)[both]
    assert 0 < np.quantile(apart, 0.95) < 3e-7


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_a_sample_that_is_no_number_stays_one(bad):
    sharpener = sharpened_filter(setup(), M, RATE, 6.0)
    samples = np.zeros((2, M), np.float32)
    samples[0, 500] = bad
    parts = portions(Batch.of(samples, RATE, 0.0, setup()), sharpener.transfer, fir=sharpener.fir)
    (signal,) = [part.signal for part in parts]
    assert not np.isfinite(signal[0]).all()
    assert np.isfinite(signal[1]).all()


def test_there_is_nothing_from_where_it_is_stopped():
    sharpener = sharpened_filter(setup(), M, RATE, 6.0)
    batch = Batch.of(np.ones((1, M)), RATE, 0.0, setup())
    (part,) = portions(batch, sharpener.transfer, 900, sharpener.fir)
    assert np.all(part.signal[:, 900:] == 0)
    assert np.any(part.signal[:, :900] != 0)
