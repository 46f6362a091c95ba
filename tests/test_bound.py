"""The Cramer-Rao bound against closed forms and against an efficient estimator's scatter."""

import numpy as np
import pytest
from echotrial_corpora.bound import Unknown, bound_of, derivatives, information, noise_power
from numpy.typing import NDArray

Array = NDArray[np.float64]

RATE, SAMPLES = 400e6, 512
F0, BANDWIDTH = 15e6, 0.6
SIGMA_F = BANDWIDTH * F0 / (2 * np.sqrt(2 * np.log(2)))
TIME = (np.arange(SAMPLES) - SAMPLES // 2) / RATE
FREQUENCY = np.fft.rfftfreq(SAMPLES, 1 / RATE)
NOTHING = np.array([np.inf])


def gabor(t: Array) -> Array:
    return np.exp(-0.5 * (2 * np.pi * SIGMA_F * t) ** 2) * np.cos(2 * np.pi * F0 * t)


def echo(delays: Array) -> Array:
    """Spectra of one echo at each delay, (n, bins)."""
    return np.fft.rfft(gabor(TIME)) * np.exp(-2j * np.pi * FREQUENCY * delays)


def delay_bound(ratio: float) -> Array:
    """Bound on the delay of one echo at an energy ratio E/N0 = sum s^2 / (2 sigma^2)."""
    rms = np.sqrt(np.sum(gabor(TIME) ** 2) / (2 * ratio))
    slopes = derivatives(echo, np.zeros((1, 1)), [Unknown("delay", 1e-12)])
    known = information(slopes, noise_power(SAMPLES, np.array([rms])), SAMPLES)
    return bound_of(known, NOTHING)


@pytest.mark.parametrize(("ratio_db", "nanoseconds"), [(10, 2.335), (16, 1.170), (30, 0.2335)])
def test_isolated_echo_has_the_closed_form(ratio_db: float, nanoseconds: float) -> None:
    # var = 1/((2E/N0) F^2), F^2 = (2 pi f0)^2 + (2 pi sigma_f)^2 / 2: Quazi, IEEE ASSP-29 (1981)
    # 527 (quoted; the paper itself was not opened). F/2pi = 15.2415 MHz at 15 MHz, 60 %.
    ratio = 10 ** (ratio_db / 10)
    closed = 1 / np.sqrt(2 * ratio) / (2 * np.pi * 15.2415e6)
    assert delay_bound(ratio)[0] == pytest.approx(closed, rel=1e-5)
    assert delay_bound(ratio)[0] == pytest.approx(1e-9 * nanoseconds, rel=5e-4)


def test_unknown_amplitude_and_phase_leave_only_the_envelope() -> None:
    # With the carrier's phase unknown the bound is 1/((2E/N0)(2 pi sigma_f)^2 / 2): only the
    # spread of the spectrum about its centre tells of the delay (Kay 1993, from memory).
    def spectrum(at: Array) -> NDArray[np.complex128]:
        return at[:, 1:2] * np.exp(1j * at[:, 2:3]) * echo(at[:, :1])

    ratio = 50.0
    rms = np.sqrt(np.sum(gabor(TIME) ** 2) / (2 * ratio))
    unknowns = [Unknown("delay", 1e-12), Unknown("amplitude", 1e-5), Unknown("phase", 1e-5)]
    slopes = derivatives(spectrum, np.array([[0.0, 1.0, 0.0]]), unknowns)
    known = information(slopes, noise_power(SAMPLES, np.array([rms])), SAMPLES)
    found = bound_of(known, np.full(3, np.inf))[0]
    closed = 1 / np.sqrt(2 * ratio * (2 * np.pi * SIGMA_F) ** 2 / 2)
    assert found == pytest.approx(closed, rel=1e-4)
    assert found > 4 * delay_bound(ratio)[0]
    told = bound_of(known, np.array([np.inf, 1e-9, 1e-9]))[0]
    assert told == pytest.approx(delay_bound(ratio)[0], rel=1e-6)


def test_difference_of_two_equal_far_echoes_is_root_two_worse() -> None:
    # External table: "x sqrt 2 for a difference of two equal echoes", 0.738 ns -> 2.18 um steel.
    def spectrum(at: Array) -> NDArray[np.complex128]:
        first, interval = at[:, :1], at[:, 1:]
        half = echo(first) + echo(first + interval)
        return half

    at = np.array([[400e-9, -0.3e-6]])[:, ::-1]
    unknowns = [Unknown("interval", 1e-12), Unknown("arrival", 1e-12)]
    ratio = 100.0
    rms = np.sqrt(np.sum(gabor(TIME) ** 2) / (2 * ratio))
    slopes = derivatives(lambda x: spectrum(x[:, ::-1]), at, unknowns)
    known = information(slopes, noise_power(SAMPLES, np.array([rms])), SAMPLES)
    found = bound_of(known, np.full(2, np.inf))[0]
    assert found == pytest.approx(np.sqrt(2) * 0.7384e-9, rel=1e-3)
    assert 5900 / 2 * found == pytest.approx(np.sqrt(2) * 2.18e-6, rel=2e-3)


def test_whittle_information_is_the_sum_over_samples_in_white_noise() -> None:
    # The slow twin: J_ij = sum_t s_i s_j / sigma^2, for odd and even lengths.
    draw = np.random.default_rng(8)
    for m in (64, 65):
        slopes = draw.standard_normal((3, 2, m))
        known = information(np.fft.rfft(slopes), noise_power(m, np.full(3, 0.2)), m)
        np.testing.assert_allclose(known, slopes @ slopes.transpose(0, 2, 1) / 0.04, rtol=1e-12)


def test_noise_power_keeps_the_stated_rms_and_adds_rounding() -> None:
    draw = np.random.default_rng(9)
    m, shape = 256, 0.1 + np.linspace(0, 1, 129)
    power = noise_power(m, np.array([0.3]), shape, quantum=0.5)
    white = np.fft.rfft(draw.standard_normal((4000, m)))
    noise = np.fft.irfft(white * np.sqrt(power[0] / m), m)
    assert noise.std() == pytest.approx(np.sqrt(0.3**2 + 0.5**2 / 12), rel=2e-3)
    # Rounding noise itself, simulated: Delta^2 / 12.
    signal = 30 * draw.standard_normal(200_000)
    rounded = 0.5 * np.round(signal / 0.5)
    assert (rounded - signal).std() == pytest.approx(0.5 / np.sqrt(12), rel=5e-3)


def test_what_the_record_does_not_tell_has_no_bound() -> None:
    known = np.array([[[1.0, 1.0], [1.0, 1.0]], [[0.0, 0.0], [0.0, 1.0]], [[4.0, 0.0], [0.0, 0.0]]])
    found = bound_of(known, np.full(2, np.inf))
    np.testing.assert_array_equal(np.isnan(found), [True, True, False])
    assert found[2] == 0.5
