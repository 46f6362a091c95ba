"""The pulse that detectors look for: ASTM E1065 bandwidth, the reference echo's own transform."""

import numpy as np
import pytest
import scipy.fft
import scipy.signal
from echotrial.setup import Waveform
from echotrial_detectors.pulse import (
    FINE,
    LOBE_MARGIN,
    envelope_of,
    frequencies,
    gaussian_spectrum,
    pulse_spectrum,
    shape_of,
    taper,
    trimmed,
)

from tests.trains import INTERFACE, RATE, M, pulse, setup


def test_synthesised_pulse_has_the_bandwidth_stated():
    """-6 dB limits as in ASTM E1065, centre frequency their arithmetic mean."""
    known = setup(reference_echo=None)
    f = np.linspace(1e6, 50e6, 200_001)
    level_db = 20 * np.log10(np.abs(gaussian_spectrum(known, f)))
    inside = f[level_db >= level_db.max() - 6]
    assert inside[-1] - inside[0] == pytest.approx(12e6, rel=1e-3)
    assert (inside[-1] + inside[0]) / 2 == pytest.approx(20e6, rel=1e-3)


def test_spectrum_of_the_reference_echo_is_scipys():
    known = setup()
    f = frequencies(M, RATE)
    want = scipy.fft.rfft(known.reference_echo.samples.astype(float))
    want *= np.exp(2j * np.pi * f * INTERFACE)
    found = pulse_spectrum(known, f)
    np.testing.assert_allclose(found, want / np.abs(want).max(), atol=3e-3)


def test_a_reference_echo_at_another_rate_has_the_same_spectrum():
    time = np.arange(4 * M) / (4 * RATE)
    fast = Waveform((0.5 * pulse(time - INTERFACE, 20e6)).astype(np.float32), 4 * RATE)
    f = frequencies(M, RATE)
    same = pulse_spectrum(setup(reference_echo=fast), f)
    np.testing.assert_allclose(same, pulse_spectrum(setup(), f), atol=5e-3)


def test_shape_is_the_pulse_about_its_envelopes_peak():
    shape = shape_of(pulse_spectrum(setup(), frequencies(M, RATE)), M)
    reach = shape.template.size // 2
    time = np.arange(-reach, reach + 1) / (FINE * RATE)
    np.testing.assert_allclose(shape.template, pulse(time, 20e6), atol=0.01)
    assert shape.phase == pytest.approx(0.7, abs=0.01)
    envelope = np.abs(scipy.signal.hilbert(pulse((np.arange(M) - M // 2) / RATE, 20e6)))
    half = shape.lobes.size // 2
    want = LOBE_MARGIN * envelope[M // 2 : M // 2 + half + 1]
    np.testing.assert_allclose(shape.lobes[half:], want, atol=0.01)
    assert envelope[M // 2 + shape.tail] <= 0.051


@pytest.mark.parametrize("m", [64, 101])
def test_envelope_and_taper_are_scipys(m):
    wave = np.random.default_rng(1).standard_normal(m)
    np.testing.assert_allclose(envelope_of(wave), np.abs(scipy.signal.hilbert(wave)), atol=1e-12)
    for tapered in (4, 16, m):
        want = scipy.signal.windows.tukey(m, tapered / m)
        np.testing.assert_allclose(taper(m, tapered), want, atol=1e-12)


def test_the_delay_lines_repeat_is_no_part_of_the_pulse():
    """An echo of its own, a second trip later: with it, tails and side lobes would never end."""
    time = np.arange(M) / RATE
    wave = 0.5 * pulse(time - INTERFACE, 20e6) + 0.1 * pulse(time - 6.2e-6, 20e6)
    f = frequencies(M, RATE)
    known = setup(reference_echo=Waveform(wave.astype(np.float32), RATE))
    np.testing.assert_allclose(pulse_spectrum(known, f), pulse_spectrum(setup(), f), atol=3e-3)


def test_noise_does_not_make_the_pulse_last_longer():
    draw = np.random.default_rng(2)
    time = np.arange(M) / RATE
    wave = 0.5 * pulse(time - INTERFACE, 20e6) + 2e-3 * draw.standard_normal(M)
    samples, _ = trimmed(Waveform(wave.astype(np.float32), RATE), 1 / 20e6)
    assert samples.size < 100


@pytest.mark.parametrize("n_fft", [600, 2048])
def test_transform_at_the_waves_own_rate_against_the_sum(n_fft: int) -> None:
    """One frequency more, and the sum is taken term by term."""
    time = np.arange(400) / RATE
    wave = np.exp(-(((time - 1e-6) * 4e6) ** 2)) * np.cos(2e7 * np.pi * (time - 1e-6))
    known = setup(reference_echo=Waveform(wave.astype(np.float32), RATE))
    f = frequencies(n_fft, RATE)
    plain = pulse_spectrum(known, np.append(f, 0.0))[:-1]
    np.testing.assert_allclose(pulse_spectrum(known, f), plain, atol=1e-9)
