"""What the model fit makes of a set-up before any record: its templates, and that once for all."""

import numpy as np
import scipy
from echotrial_detectors.fit.grid import SHIFTS
from echotrial_detectors.fit.newton import ARRIVAL
from echotrial_detectors.fit.spectra import _cut, _turn, gate_of, pulse_of
from echotrial_detectors.fit.stack import stack_of
from echotrial_detectors.model_fit import ModelFitSettings, _Plan, _plan
from echotrial_detectors.pulse import envelope_peak_s

from tests.trains import RATE, setup

FINE = 16


def plan(**changes: int) -> _Plan:
    known = setup()
    return _plan(known, ModelFitSettings(**changes), stack_of(known), RATE)


def test_equal_set_ups_and_settings_share_one_plan():
    assert plan() is plan()
    assert plan() is not plan(rounds=5)


def test_the_reference_echos_spectrum_is_its_laplace_transform():
    known = setup()
    gate = gate_of(known, RATE, 250e-9, 2.5e-6)
    wave = known.reference_echo
    samples = wave.samples.astype(float)
    time = (wave.time_s - envelope_peak_s(samples, wave.time_s)) / gate.period_s
    inside = (time > -gate.before / RATE / gate.period_s) & (time < 2.5e-6 / gate.period_s)
    for s in (gate.s, gate.s_twice, gate.s[:5]):
        want = [samples[inside] @ np.exp(-one * time[inside]) for one in s]
        np.testing.assert_allclose(pulse_of(wave, gate, s), want, atol=1e-9 * np.abs(want).max())


def test_templates_are_laid_on_their_envelopes_peaks():
    """By a transform many times finer: the envelope's peak at time zero, or a rival of it."""
    made = plan()
    gate, grid = made.gate, made.how.grid
    low, high = gate.bins
    few = slice(None, None, 41)
    size, ahead = FINE * gate.length, FINE * gate.before
    fine = np.zeros((grid.starts[few].shape[0], size), complex)
    fine[:, low:high] = grid.spectra.T[few]
    # What counts is each template without its shift, as the transform's end is undamped apart.
    fine[:, low:high] *= np.exp(grid.starts[few, ARRIVAL, None] * gate.s)
    fine[:, low:high] *= np.exp(-2j * np.pi / gate.length * gate.before * np.arange(low, high))
    time = (np.arange(size) - ahead) / FINE / gate.rate_hz / gate.period_s
    envelope = np.abs(scipy.fft.ifft(fine, axis=1)) * np.exp(gate.damping * time)
    envelope[:, time > 0.6 * time[-1]] = 0.0
    peak = -grid.starts[few, ARRIVAL]
    for line, at in zip(envelope, peak, strict=True):
        near = np.abs(time - at) < 0.2
        top = time[near][np.argmax(line[near])]
        assert abs(top - at) < 0.03
        assert line[near].max() > 0.85 * line.max()


def test_products_are_correlations_at_three_shifts():
    grid = plan().how.grid
    rng = np.random.default_rng(3)
    y = rng.standard_normal(len(grid.frequency)) + 1j * rng.standard_normal(len(grid.frequency))
    for stride, matrix in ((grid.stride, grid.few), (1, grid.every)):
        f, t = grid.frequency[::stride], grid.spectra[::stride]
        line = y[::stride]
        found = np.concatenate([line.real, line.imag]) @ matrix
        found = found.reshape(len(SHIFTS), 2, -1)
        for k, shift in enumerate(SHIFTS):
            template = t * np.exp(-2j * np.pi * f * shift)[:, None] / np.linalg.norm(t, axis=0)
            want = line @ template.conj()
            np.testing.assert_allclose(found[k, 0] + 1j * found[k, 1], want, atol=1e-4)


def test_gates_are_cut_and_records_turned_as_by_index():
    rng = np.random.default_rng(5)
    samples = rng.standard_normal((4, 50)).astype(np.float32)
    window = rng.standard_normal(20).astype(np.float32)
    first = np.array([-7, 0, 44, 61])
    _cut(samples, first, window, cut := np.zeros((4, 20), np.float32))
    padded = np.pad(samples, ((0, 0), (30, 60)))
    for row, begin in enumerate(first):
        want = padded[row, 30 + begin : 50 + begin] * window
        np.testing.assert_array_equal(cut[row], want)
    _turn(samples, first % 50, turned := np.empty_like(samples))
    for row, begin in enumerate(first):
        np.testing.assert_array_equal(turned[row], np.roll(samples[row], -begin))
