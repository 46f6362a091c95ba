"""The envelope against scipy.signal.hilbert, its peaks against a Gaussian's closed form."""

import numpy as np
import pytest
import scipy.fft
import scipy.signal
from echotrial.ascan import Batch
from echotrial_detectors import fir
from echotrial_detectors.envelope import (
    Envelope,
    EnvelopeSettings,
    find_envelope_peaks,
    room,
)
from echotrial_detectors.noise import fixed, survey
from echotrial_detectors.peaks import Candidates
from echotrial_detectors.quadrature import NO_TAPS, put_quadrature, taps_for
from echotrial_detectors.tiles import analytic_portions

from tests.trains import RATE, M, pulse, setup, trains

TURN = 2 * np.pi * 20e6 / RATE


def test_analytic_signal_is_scipys_where_the_band_lets_all_through():
    batch = trains(setup(), np.array([0.3e-3, 0.6e-3]), noise=0.01)
    (part,) = analytic_portions(batch, np.ones(batch.spectrum.shape[1], np.float32))
    found = part.signal + 1j * part.quadrature
    want = scipy.signal.hilbert(batch.samples.astype(float), axis=1)
    np.testing.assert_allclose(found[:, 1:-1].imag, want[:, 1:-1].imag, atol=1e-3)
    np.testing.assert_allclose(np.abs(found), np.abs(batch.analytic), atol=2e-3)


@pytest.mark.parametrize("carrier", [False, True])
@pytest.mark.parametrize("sign", [1, -1])
def test_peaks_of_a_gaussian_lie_where_they_are(carrier, sign):
    place, time = 300.37, np.arange(M) / RATE
    wave = sign * 0.5 * pulse(time - place / RATE, 20e6, phase=0.9)
    batch = Batch.of(wave, RATE, 0.0, setup())
    found, one, seen = Candidates.none(1), np.ones(1), survey(batch.samples)
    find_envelope_peaks(
        fixed(batch.samples), NO_TAPS.weights, 1, batch.analytic.imag.copy(), seen.loudest,
        seen.length, np.zeros(1, int), np.full(1, M), 0.2 * one, 0.9, False, TURN, carrier,
        *room(M),
        found.sample, found.amplitude, found.count,
    )  # fmt: skip
    assert found.count[0] == 1
    assert found.sample[0, 0] == pytest.approx(place, abs=0.01)
    assert found.amplitude[0, 0] == pytest.approx(sign * 0.5, rel=2e-3)


@pytest.mark.parametrize(("turned", "one_sign"), [(0.9, False), (0.9, True), (2.0, True)])
def test_where_the_phase_is_not_known_the_strongest_echo_has_it(turned, one_sign):
    """A carrier turned by less than a quarter of a cycle is told from one of the other sign, and
    by less than half a cycle where there is one sign only."""
    time, echoes = np.arange(M) / RATE, ((300.37, 0.5, 1.3), (500.21, 0.4, 1.3 + turned))
    wave = sum(h * pulse(time - p / RATE, 20e6, phase=q) for p, h, q in echoes)
    batch = Batch.of(wave, RATE, 0.0, setup())
    found, one, seen = Candidates.none(1), np.ones(1), survey(batch.samples)
    find_envelope_peaks(
        fixed(batch.samples), NO_TAPS.weights, 1, batch.analytic.imag.copy(), seen.loudest,
        seen.length, np.zeros(1, int), np.full(1, M), 0.2 * one, np.nan, one_sign, TURN, True,
        *room(M),
        found.sample, found.amplitude, found.count,
    )  # fmt: skip
    np.testing.assert_array_equal(found.count, 2)
    np.testing.assert_allclose(found.sample[0, :2], [300.37, 500.21 - turned / TURN], atol=0.03)
    np.testing.assert_allclose(found.amplitude[0, :2], [0.5, 0.4], rtol=3e-3)


def narrow_echo(f0: float, place: float) -> np.ndarray:
    """Spectrum of an echo of 42 % bandwidth at a sample: the square of one of 60 %."""
    wide = np.abs(scipy.fft.rfft(pulse((np.arange(M) - 512) / RATE, f0)))
    turn = np.exp(-2j * np.pi * np.arange(wide.size) / M * place)
    return wide**2 / np.max(wide) ** 2 * turn


@pytest.mark.parametrize("f0", [15e6, 20e6, 23e6])
def test_the_quadrature_by_taps_is_scipys(f0):
    """To the share of an echo's energy that the taps are chosen for."""
    taps = taps_for(narrow_echo(f0, 0.0))
    assert taps.weights.size > 0
    line = scipy.fft.irfft(narrow_echo(f0, 300.4))
    want, found = scipy.signal.hilbert(line).imag, np.empty(M, np.float32)
    put_quadrature(line.astype(np.float32), taps.weights, taps.step, 0, M, found)
    assert np.sqrt(np.mean((found - want) ** 2)) < 5e-4 * np.sqrt(np.mean(want**2))


@pytest.mark.parametrize(("count", "step"), [(4, 1), (8, 1), (12, 1), (4, 2), (8, 2)])
@pytest.mark.parametrize(("begin", "end"), [(0, 60), (3, 9), (20, 21), (30, 30), (50, 60)])
def test_the_quadrature_is_the_slow_twins(count, step, begin, end):
    draw = np.random.default_rng(6)
    line, taps = (draw.standard_normal(n).astype(np.float32) for n in (60, count))
    found = np.full(60, np.nan, np.float32)
    put_quadrature(line, taps, step, begin, end, found)
    reach = 1 + step * (count - 1)
    apart = np.zeros(reach)
    apart[::step] = taps
    odd = np.concatenate([-apart[::-1], [0], apart])
    want = np.convolve(line, odd)[reach : reach + 60]
    np.testing.assert_allclose(found[begin:end], want[begin:end], atol=1e-4)
    assert np.isnan(found[:begin]).all()
    assert np.isnan(found[end:]).all()


@pytest.mark.parametrize("f0", [1e6, 45e6])
def test_where_few_taps_do_not_do_there_are_none(f0):
    assert taps_for(narrow_echo(f0, 0.0)).weights.size == 0


def test_with_and_without_taps_the_same_walls_are_read(monkeypatch):
    known = setup()
    batch = trains(known, np.linspace(0.2e-3, 1.2e-3, 200), noise=5e-3, loss=0.9)
    monkeypatch.setattr(
        "echotrial_detectors.envelope.few_taps", lambda *_: fir.NO_TAPS
    )  # one at a time
    few = Envelope().prepare(known, EnvelopeSettings())(batch)
    monkeypatch.setattr("echotrial_detectors.envelope.taps_for", lambda _: NO_TAPS)
    whole = Envelope().prepare(known, EnvelopeSettings())(batch)
    np.testing.assert_array_equal(few.answered, whole.answered)
    apart = np.abs(few.thickness_m - whole.thickness_m)[few.answered]
    assert np.quantile(apart, 0.98) < 2e-8
    assert apart.max() < 1e-6


@pytest.mark.parametrize("carrier", [False, True])
@pytest.mark.parametrize("metal", [True, False])
def test_walls_are_read(metal, carrier):
    known = setup(metal=metal, mode=3 if metal else 2)
    walls = np.linspace(0.6e-3, 1.2e-3, 40)
    chosen = EnvelopeSettings(carrier=carrier)
    found = Envelope().prepare(known, chosen)(trains(known, walls, loss=0.9))
    np.testing.assert_allclose(found.thickness_m, walls, atol=3e-6)
