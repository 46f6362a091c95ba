"""The envelope against scipy.signal.hilbert, its peaks against a Gaussian's closed form."""

import numpy as np
import pytest
import scipy.signal
from echotrial.ascan import Batch
from echotrial_detectors.envelope import (
    Envelope,
    EnvelopeSettings,
    find_envelope_peaks,
)
from echotrial_detectors.peaks import Candidates
from echotrial_detectors.tiles import filtered_analytic

from tests.trains import RATE, M, pulse, setup, trains


def test_analytic_signal_is_scipys_where_the_band_lets_all_through():
    batch = trains(setup(), np.array([0.3e-3, 0.6e-3]), noise=0.01)
    found = filtered_analytic(batch, np.ones(batch.spectrum.shape[1], np.float32))
    want = scipy.signal.hilbert(batch.samples.astype(float), axis=1)
    np.testing.assert_allclose(found[:, 1:-1].imag, want[:, 1:-1].imag, atol=1e-3)
    np.testing.assert_allclose(np.abs(found), np.abs(batch.analytic), atol=2e-3)


@pytest.mark.parametrize("turn", [0.0, 2 * np.pi * 20e6 / RATE])
@pytest.mark.parametrize("sign", [1, -1])
def test_peaks_of_a_gaussian_lie_where_they_are(turn, sign):
    place, time = 300.37, np.arange(M) / RATE
    wave = sign * 0.5 * pulse(time - place / RATE, 20e6, phase=0.9)
    batch = Batch.of(wave, RATE, 0.0, setup())
    found, one = Candidates.none(1), np.ones(1)
    find_envelope_peaks(
        batch.analytic, np.zeros(1, int), np.full(1, M), 0.2 * one, 0.9, turn,
        found.sample, found.amplitude, found.count,
    )  # fmt: skip
    assert found.count[0] == 1
    assert found.sample[0, 0] == pytest.approx(place, abs=0.01)
    assert found.amplitude[0, 0] == pytest.approx(sign * 0.5, rel=2e-3)


@pytest.mark.parametrize("carrier", [False, True])
@pytest.mark.parametrize("metal", [True, False])
def test_walls_are_read(metal, carrier):
    known = setup(metal=metal, mode=3 if metal else 2)
    walls = np.linspace(0.6e-3, 1.2e-3, 40)
    chosen = EnvelopeSettings(carrier=carrier)
    found = Envelope().prepare(known, chosen)(trains(known, walls, loss=0.9))
    np.testing.assert_allclose(found.thickness_m, walls, atol=3e-6)
