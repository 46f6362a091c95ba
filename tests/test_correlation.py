"""Cross-correlation against scipy's, and what sharpening is for."""

import numpy as np
import pytest
import scipy.fft
import scipy.signal
from echotrial_detectors.correlation import Correlation, CorrelationSettings, sharpened_filter
from echotrial_detectors.tiles import TILE, portions

from tests.trains import INTERFACE, RATE, M, setup, trains


def test_without_sharpening_it_is_scipys_correlation():
    known = setup()
    batch = trains(known, np.array([0.5e-3]), noise=0.05)
    plain = sharpened_filter(known, M, RATE, sharpness_db=-80.0)
    found = scipy.fft.irfft(batch.spectrum * plain.transfer, n=M, axis=1)[0]
    reference = known.reference_echo.samples.astype(float)
    want = scipy.signal.correlate(batch.samples[0].astype(float), reference, "full")
    lags = scipy.signal.correlation_lags(M, M, "full")
    shift = int(INTERFACE * RATE)
    want = want[(lags >= -shift) & (lags < M - shift)]
    height = np.abs(scipy.fft.rfft(reference)).max()
    # the first samples hold what the transform wraps around
    np.testing.assert_allclose(
        found[20:700], want[20:700] * height / np.sum(reference**2), atol=5e-3
    )


def test_an_echo_becomes_its_own_height_at_its_own_time():
    known = setup()
    plain = sharpened_filter(known, M, RATE, sharpness_db=6.0)
    found = scipy.fft.irfft(scipy.fft.rfft(known.reference_echo.samples) * plain.transfer, n=M)
    assert int(np.argmax(found)) == int(INTERFACE * RATE)
    assert found.max() == pytest.approx(
        np.abs(scipy.fft.rfft(known.reference_echo.samples)).max(), rel=0.01
    )


def test_sharper_is_narrower():
    shapes = [sharpened_filter(setup(), M, RATE, s).shape for s in (0.0, 10.0, 20.0, 30.0)]
    widths = [int(np.sum(np.abs(s.template) > 0.5)) for s in shapes]
    lobes = [float(s.lobes[s.lobes.size // 2 + 4]) for s in shapes]  # a period away
    assert lobes[0] == max(lobes)
    assert widths[0] > widths[-1]


@pytest.mark.parametrize("metal", [True, False])
def test_walls_are_read_to_a_part_of_a_micrometre_in_the_mean(metal):
    known = setup(metal=metal, mode=3 if metal else 2)
    walls = np.linspace(0.5e-3, 1.2e-3, 60)
    found = Correlation().prepare(known, CorrelationSettings())(trains(known, walls, loss=0.9))
    np.testing.assert_allclose(found.thickness_m, walls, atol=2e-6)
    assert abs(np.mean(found.thickness_m - walls)) < 0.5e-6


def test_it_needs_no_reference_echo():
    known = setup(reference_echo=None)
    walls = np.linspace(0.5e-3, 1.2e-3, 20)
    found = Correlation().prepare(known, CorrelationSettings())(trains(known, walls, loss=0.9))
    np.testing.assert_allclose(found.thickness_m, walls, atol=2e-6)


@pytest.mark.parametrize("shared", [False, True])
@pytest.mark.parametrize("stop", [None, 800])
def test_filtered_records_are_the_slow_twins(shared, stop):
    """A whole portion and a part; a spectrum that is there already is used."""
    batch = trains(setup(), np.linspace(0.2e-3, 1e-3, TILE + 6), noise=0.01)
    transfer = sharpened_filter(setup(), M, RATE, sharpness_db=6.0).transfer
    if shared:
        _ = batch.spectrum
    want = np.fft.irfft(np.fft.rfft(batch.samples.astype(float)) * transfer, n=M)
    want[:, stop or M :] = 0
    for _ in range(2):  # the second time from the spectrum that the first one has left
        parts = list(portions(batch, transfer, stop))
        assert len(parts) > 1
        np.testing.assert_allclose(np.concatenate([p.signal for p in parts]), want, atol=1e-5)
        rows = np.concatenate([np.arange(len(batch))[p.rows] for p in parts])
        np.testing.assert_array_equal(rows, np.arange(len(batch)))
    np.testing.assert_allclose(batch.spectrum, np.fft.rfft(batch.samples), rtol=0, atol=1e-4)
