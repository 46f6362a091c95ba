"""Receiver and digitiser: gain, noise, clipping, bits, interference.

Quantisation: W. R. Bennett, Bell Syst. Tech. J. 27 (1948) 446 (from memory), 6.02 N + 1.76 dB for a
full-scale sine.
"""

import numpy as np
import pytest
from echotrial_corpora.chain import chain_of
from echotrial_corpora.digitise import FULL_SCALE, digitise
from echotrial_corpora.draw import PARAMETERS
from echotrial_corpora.noise import noise
from echotrial_corpora.receiver import band_pass
from echotrial_corpora.records import records
from echotrial_corpora.reference import _analytic
from scipy.signal import butter, hilbert

from tests.make_spec import plain


def digitised(record, bits, **fields):
    params = np.zeros(1, PARAMETERS)
    for name, value in fields.items():
        params[name] = value
    clean = np.atleast_2d(record).astype(float)
    one, none = np.ones(1), np.zeros(clean.shape, np.float32)
    return digitise(params, clean, one, none, 0 * one, 100e6, bits)[0] / FULL_SCALE


@pytest.mark.parametrize(("bits", "snr"), [(8, 49.93), (10, 61.97), (12, 74.01)])
def test_signal_to_quantisation_noise_of_a_full_scale_sine(bits, snr):
    top = 1 - 0.75 * 2.0 ** (1 - bits)  # as large as goes without clipping: no code stands for +1
    x = top * np.sin(2 * np.pi * 0.12345678 * np.arange(2**18))
    error = digitised(x, bits) - x
    assert 10 * np.log10(x.var() / error.var()) == pytest.approx(snr, abs=0.2)


def test_clipping_is_at_full_scale_on_both_sides():
    found = digitised([-3.0, -1.0, 0.0, 1.0, 3.0], 12)
    assert found[0] == found[1] == -1
    assert found[3] == found[4] == pytest.approx(1, abs=2**-10)


@pytest.mark.parametrize("band", [(4e6, 40e6), (2e6, 20e6), (1e6, 4.5e6), (20e3, 49e6)])
def test_band_pass_is_that_of_scipy_to_the_bit(band):
    """The records' bytes hang on it."""
    s = 0.3e6 + 2j * np.pi * np.linspace(0.1e6, 60e6, 50)
    zeros, poles, gain = butter(2, np.multiply(2 * np.pi, band), "bandpass", True, "zpk")
    found = np.full(s.shape, gain, np.complex128)
    for pole in poles:
        found = found / (s - pole)
    for zero in zeros:
        found = found * (s - zero)
    assert np.array_equal(band_pass(s, *band), found)


def test_analytic_signal_is_that_of_scipy_to_the_bit():
    samples = np.random.default_rng(4).normal(size=1024)
    assert np.array_equal(_analytic(samples), hilbert(samples))


@pytest.mark.parametrize("mhz", [0.5, 4.0, 12.0, 40.0, 80.0])
def test_band_pass_is_a_butterworth_of_order_two(mhz):
    """|H|^2 = 1 / (1 + W^4), W = (f^2 - f1 f2) / (f (f2 - f1)): the textbook's band-pass."""
    size = abs(band_pass(2j * np.pi * mhz * 1e6, 4e6, 40e6))
    w = (mhz**2 - 4 * 40) / (mhz * 36)
    assert size == pytest.approx((1 + w**4) ** -0.5, rel=1e-9)
    if mhz in (4.0, 40.0):
        assert 20 * np.log10(size) == pytest.approx(-3.01, abs=0.01)


@pytest.mark.parametrize("colour", [0.0, 1.0, 2.0])
def test_noise_has_rms_one_and_its_colour(colour):
    spec = plain(receiver={"band": [4e6, 40e6], "noise_colour": colour})
    found = noise(chain_of(spec), ("test",), np.zeros(400, PARAMETERS))
    assert found.std() == pytest.approx(1, abs=0.01)
    power = (np.abs(np.fft.rfft(found, axis=1)) ** 2).mean(axis=0)
    f = np.fft.rfftfreq(1024, 1e-8)
    ratio = power[(f > 9.5e6) & (f < 10.5e6)].mean() / power[(f > 19e6) & (f < 21e6)].mean()
    plain_ratio = abs(
        band_pass(2j * np.pi * 10e6, 4e6, 40e6) / band_pass(2j * np.pi * 20e6, 4e6, 40e6)
    )
    assert ratio == pytest.approx(plain_ratio**2 * 2**colour, rel=0.1)


@pytest.mark.parametrize("snr", [20.0, 40.0])
def test_stated_snr_is_that_of_the_samples(snr):
    noisy = plain(receiver={"snr": f"{snr} dB", "screen_height": 0.5})
    quiet = plain(receiver={"snr": "200 dB", "screen_height": 0.5})
    made = records(noisy, "prove", 0, 0, 64)
    # the same names in another spec give other draws: the noise alone is taken before the echoes
    early = made.samples[:, :40] / FULL_SCALE
    assert early.std() == pytest.approx(0.5 * 10 ** (-snr / 20), rel=0.08)
    assert made.truth.snr_db.to_numpy() == pytest.approx([snr] * 64)
    still = records(quiet, "prove", 0, 0, 64).samples[:, :40] / FULL_SCALE
    assert np.abs(still).max() < 1e-4


def test_gain_by_record_by_first_echo_and_fixed():
    by_record = records(plain(receiver={"screen_height": 0.7}), "prove", 0, 0, 8)
    assert np.abs(by_record.samples).max(axis=1) / FULL_SCALE == pytest.approx([0.7] * 8, abs=1e-3)
    echo = plain(receiver={"screen_height": 0.15, "gain": "first echo"})
    made = records(echo, "prove", 0, 0, 8)
    # e1 / e0 of steel on polystyrene: -13.4 dB (derived), so the interface echo is at 0.702
    assert np.abs(made.samples).max(axis=1) / FULL_SCALE == pytest.approx([0.702] * 8, rel=0.01)
    fixed = records(plain(receiver={"screen_height": 0.8, "gain": "fixed"}), "prove", 0, 0, 8)
    # |r| = 0.8988 of the bare tip's echo
    assert np.abs(fixed.samples).max(axis=1) / FULL_SCALE == pytest.approx([0.719] * 8, rel=3e-3)


def test_hum_baseline_and_burst():
    t = np.arange(1024) / 100e6
    hum = digitised(np.zeros(1024), 16, hum=0.1, hum_frequency=0.3e6, hum_phase=1.0)
    assert hum == pytest.approx(0.1 * np.sin(2 * np.pi * 0.3e6 * t + 1.0), abs=1e-4)
    slope = digitised(np.zeros(1024), 16, baseline=-0.2, baseline_rate=1e6)
    assert slope == pytest.approx(-0.2 * np.exp(-1e6 * t), abs=1e-4)
    fields = {"burst": 0.5, "burst_frequency": 15e6, "burst_rate": 5e6, "burst_at": 3.003e-6}
    burst = digitised(np.zeros(1024), 16, **fields)
    since = t - 3.003e-6
    expected = 0.5 * np.exp(-5e6 * since) * np.sin(2 * np.pi * 15e6 * since) * (since >= 0)
    assert burst == pytest.approx(expected, abs=1e-4)


def test_transmission_pulse_rings_from_time_zero_in_mode_1():
    spec = plain(
        delay_line=None,
        face={"material": "alumina", "delay": 0.4e-6},
        excitation={
            "level": "0 dB",
            "frequency": 14e6,
            "decay": 0.2e-6,
            "recovery_level": "-20 dB",
            "recovery_decay": 1e-6,
        },
        wall={"thickness": {"from": 5e-3, "to": 20e-3}},
        multiples=1,
        receiver={"gain": "first echo", "screen_height": 0.05},
    )
    made = records(spec, "prove", 0, 0, 4)
    zero = round(-made.known.start_us[0] * 100)
    assert np.abs(made.samples[:, : zero - 1]).max() < 60
    ring = np.abs(hilbert(made.samples[0, zero : zero + 100].astype(float)))
    slope = np.polyfit(np.arange(20, 40) / 100e6, np.log(ring[20:40]), 1)[0]
    assert -1 / slope == pytest.approx(0.2e-6, rel=0.25)
    assert made.truth.interface_us.isna().all()
    first = np.array([t[0] for t in made.truth.back_wall_us])
    depth = (first - 0.4) * 5900 / 2 / 1e3
    assert depth == pytest.approx(made.truth.thickness_mm.to_numpy(), abs=2e-3)


def test_jitter_is_unknown_and_gate_trimming_is_known():
    spec = plain(
        receiver={"jitter": {"from": -20e-9, "to": 20e-9}, "start_spread": {"from": 0, "to": 1e-6}},
        lead=2e-6,
    )
    made = records(spec, "prove", 0, 0, 64)
    assert made.known.start_us.nunique() > 20
    peaks = np.abs(hilbert(made.samples.astype(float), axis=1)).argmax(axis=1) / 100
    on_the_clock = made.known.start_us + peaks
    assert on_the_clock.to_numpy() == pytest.approx(made.truth.interface_us.to_numpy(), abs=0.011)
    assert 5e-3 < made.truth.interface_us.std() < 20e-3
