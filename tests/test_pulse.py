"""The probe's pulse against ASTM E1065's definitions and closed forms of a Gaussian.

ASTM E1065, 3.2.2 (opened): bandwidth at the -6 dB level from the peak of the frequency response;
-6 dB is 0.50119, not a half. Envelope length of a Gaussian pulse: derived.
"""

import numpy as np
import pytest
from echotrial_corpora.probe import gaussian_width, pulse_spectrum
from scipy.signal import hilbert

RATE, N = 1e9, 1 << 16
F = np.fft.rfftfreq(N, 1 / RATE)


def made(**changes):
    parameters = {"centre_hz": 15e6, "bandwidth_hz": 9e6} | changes
    spectrum = pulse_spectrum(2j * np.pi * F, **parameters) * RATE
    return spectrum, np.roll(np.fft.irfft(spectrum, N), N // 2)


def band(spectrum):
    size = np.abs(spectrum) / np.abs(spectrum).max()
    over = np.flatnonzero(size >= 10 ** (-6 / 20))
    low = np.interp(10 ** (-6 / 20), size[over[0] - 1 : over[0] + 1], F[over[0] - 1 : over[0] + 1])
    edge = slice(over[-1] + 1, over[-1] - 1, -1)
    return low, np.interp(10 ** (-6 / 20), size[edge], F[edge])


@pytest.mark.parametrize("phase", [0.0, np.pi / 3, np.pi / 2])
@pytest.mark.parametrize("decay", [0.0, 10e-9, 30e-9])
def test_bandwidth_and_centre_at_minus_6_db(phase, decay):
    low, high = band(made(phase_rad=phase, decay_s=decay)[0])
    assert (low + high) / 2 == pytest.approx(15e6, rel=1e-3)
    assert high - low == pytest.approx(9e6, rel=1e-3)
    # ISO editions differ on the mean: the geometric one is 4.6 % lower at 60 % (derived)
    assert np.sqrt(low * high) == pytest.approx(14.3115e6, rel=2e-3)


def test_length_at_minus_20_db_times_bandwidth():
    _, pulse = made(bandwidth_hz=9e6 * 0.99829)  # 60 % between half-amplitude points
    envelope = np.abs(hilbert(pulse))
    long = np.flatnonzero(envelope >= envelope.max() / 10)
    length = (long[-1] - long[0]) / RATE
    assert length == pytest.approx(178.73e-9, abs=1 / RATE)
    assert length * 9e6 * 0.99829 == pytest.approx(1.6058, rel=0.01)


@pytest.mark.parametrize("phase", [0.0, 1.0, np.pi / 2])
def test_phase_leaves_the_envelope(phase):
    _, pulse = made(phase_rad=phase)
    t = (np.arange(N) - N // 2) / RATE
    sigma = 1 / float(gaussian_width(9e6))
    assert np.abs(np.abs(hilbert(pulse)) - np.exp(-(t**2) / (2 * sigma**2))).max() < 2e-4


def test_decay_makes_the_trailing_flank_longer():
    def lopsided(decay):
        envelope = np.abs(hilbert(made(decay_s=decay)[1]))
        long = np.flatnonzero(envelope >= envelope.max() / 10)
        return (long[-1] - envelope.argmax()) / (envelope.argmax() - long[0])

    assert lopsided(0.0) == pytest.approx(1, abs=0.02)
    assert lopsided(30e-9) > 1.3


def test_a_decay_that_alone_narrows_the_band_is_refused():
    with pytest.raises(ValueError, match="narrower"):
        gaussian_width(9e6, 100e-9)


def test_ring_down_has_its_own_frequency_level_and_decay():
    level, decay = 10 ** (-30 / 20), 0.3e-6
    _, pulse = made(ring_hz=12e6, ring_level=level, ring_decay_s=decay)
    analytic = hilbert(pulse)[N // 2 :]
    t = np.arange(analytic.size) / RATE
    late = (t > 0.4e-6) & (t < 1.2e-6)  # the pulse itself is gone
    slope, start = np.polyfit(t[late], np.log(np.abs(analytic[late])), 1)
    assert -1 / slope == pytest.approx(decay, rel=1e-3)
    assert np.exp(start) == pytest.approx(level, rel=0.02)
    turn = np.polyfit(t[late], np.unwrap(np.angle(analytic[late])), 1)[0]
    assert turn / (2 * np.pi) == pytest.approx(12e6, rel=1e-3)
