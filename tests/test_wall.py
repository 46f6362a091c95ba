"""What a wall does to its echoes: roughness, taper, lamination, layers behind it, grain.

Coherent factor of a rough surface: Nagy and Adler, JASA 82 (1987) 193 (from memory), values by
Monte Carlo outside this project. Rayleigh statistics of grain noise: derived, mean over standard
deviation of the envelope sqrt(pi / (4 - pi)).
"""

import numpy as np
import pytest
from echotrial_corpora.chain import chain_of
from echotrial_corpora.draw import nominal
from echotrial_corpora.grain import grain_spectra
from echotrial_corpora.layers import Layer, reflection
from echotrial_corpora.receiver import band_pass
from echotrial_corpora.synthesis import respond
from echotrial_corpora.truth import echoes_of
from echotrial_corpora.wall import divergence, rough_reflection
from scipy.signal import hilbert

from tests.make_spec import plain


@pytest.mark.parametrize(
    ("kh", "factor"), [(0.1, 0.9802), (0.3, 0.8353), (0.5, 0.6065), (1.0, 0.1353)]
)
def test_rough_surface_by_monte_carlo(kh, factor):
    assert rough_reflection(1j, 1.0, kh).real == pytest.approx(factor, abs=1e-4)
    heights = kh * np.random.default_rng(0).standard_normal(10**5)
    assert abs(np.exp(2j * heights).mean()) == pytest.approx(factor, abs=0.01)


@pytest.mark.parametrize(("velocity", "factor"), [(5900.0, 0.950), (2350.0, 0.725)])
def test_rough_surface_seen_from_steel_and_from_polystyrene(velocity, factor):
    """15 MHz, 10 um rms (computed outside this project)."""
    found = rough_reflection(2j * np.pi * 15e6, velocity, 10e-6).real
    assert found == pytest.approx(factor, abs=5e-4)


def test_generator_makes_each_multiple_rougher():
    def heights(rough):
        spec = plain(wall={"roughness": rough})
        return echoes_of(respond(spec, nominal(spec, np.array([2e-3]))), np.zeros(1)).height[0]

    ratio = heights(10e-6)[:4] / heights(0.0)[:4]
    # over the band, weighted by the pulse, a little less than at the centre alone
    assert ratio == pytest.approx(0.947 ** np.arange(1, 5), abs=6e-3)


def test_taper_leaves_the_mean_thickness_and_smears_multiples():
    def made(slope):
        spec = plain(wall={"taper": slope}, couplant={"strips": 15})
        return echoes_of(respond(spec, nominal(spec, np.array([2e-3]))), np.zeros(1))

    flat, sloping = made(0.0), made(3e-3)
    assert sloping.time_s[0, :3] == pytest.approx(flat.time_s[0, :3], abs=2e-10)
    loss = sloping.height[0, :3] / flat.height[0, :3]
    assert 0.9 < loss[0] < 1
    assert loss[0] > loss[1] > loss[2]


def test_taper_against_the_disc_average_of_a_wedge():
    """Mean of exp(j b x / a) over a disc is 2 J1(b) / b (derived: Airy)."""
    from scipy.special import j1

    slope, f = 2e-3, 15e6
    spec = plain(wall={"taper": slope}, couplant={"strips": 15})
    response = respond(spec, nominal(spec, np.array([2e-3])))
    plain_one = respond(plain(), nominal(plain(), np.array([2e-3])))
    chain = response.chain
    k = np.argmin(np.abs(chain.grid.s[:: response.every].imag - 2 * np.pi * f))
    ratio = abs(response.terms[0, 0, k] / plain_one.terms[0, 0, k])
    b = 2 * 2 * np.pi * f / 5900 * np.tan(slope) * 3e-3
    assert ratio == pytest.approx(2 * j1(b) / b, abs=2e-3)


def test_lamination_sends_an_echo_of_its_own():
    lamination = {"share": 1.0, "depth": 0.5, "reflection": 0.3}
    spec = plain(wall={"lamination": lamination})
    params = nominal(spec, np.array([3e-3]))
    without = respond(spec, params).clean[0]
    params["lamination"], params["lamination_depth"] = 0.3, 1.5e-3
    response = respond(spec, params)
    own = hilbert(response.clean[0] - without)
    interface = params["late"][0] - params["start"][0]
    at = round((interface + 2 * 1.5e-3 / 5900) * 100e6)
    # r (1 - r01^2), of the sign of the back-wall echo's: the crack is air
    assert own[at].real == pytest.approx(0.3 * 0.1921, rel=0.02)
    alone = echoes_of(response, np.zeros(1)).height[0, 0]
    assert alone == pytest.approx((1 - 0.3**2) * 0.1921, rel=5e-3)


@pytest.mark.parametrize("material", ["water", "mineral oil"])
def test_layer_behind_the_wall_against_the_recursion(material):
    """The whole record from `layers.reflection`, whose other side is `tmm` (see test_layers)."""
    layer = {"velocity": 2400.0, "density": 1350.0, "attenuation": 0.0}
    backing = {"material": material, "layer": layer, "layer_thickness": 120e-6}
    spec = plain(backing=backing, couplant={"gap": 7e-6})
    params = nominal(spec, np.array([0.5e-3]))
    response = respond(spec, params)
    n, behind = 1 << 15, spec.backing.row
    f = np.fft.rfftfreq(n, 1 / spec.rate)[1:-1]
    stack = [
        Layer(1050, 2350),
        Layer(1260, 1920, thickness=7e-6),
        Layer(7850, 5900, thickness=0.5e-3),
        Layer(1350, 2400, thickness=120e-6),
        Layer(behind.density, behind.velocity),
    ]
    width = params["width"][0]
    pulse = np.sqrt(2 * np.pi) / width * np.exp(-((2 * np.pi * (f - 15e6)) ** 2) / 2 / width**2) / 2
    pulse = pulse * band_pass(2j * np.pi * f, *spec.receiver.band)
    late = params["late"][0] - params["start"][0]
    spectrum = -pulse * reflection(2j * np.pi * f, stack) * np.exp(-2j * np.pi * f * late)
    record = np.fft.irfft(np.concatenate([[0], spectrum, [0]]) * spec.rate, n)[:1024]
    assert np.abs(response.clean[0] - record).max() < 1e-3


def test_divergence_of_a_square_beam_is_none():
    assert divergence(1e-3, 0.0, 2.4) == 1
    assert divergence(1e-3, 10.0, 2.4) < divergence(0.5e-3, 10.0, 2.4) < 1


def test_grain_noise_has_a_rayleigh_envelope_and_the_stated_level():
    grain = {"level": "-20 dB", "correlation": 0.0, "decay": 1.0}
    spec = plain(wall={"grain": grain})
    chain = chain_of(spec)
    spectra = grain_spectra(spec, chain, ("test",), 64)
    params = nominal(spec, np.full(64, 2e-3))
    level = params["grain"][0]
    with_grain = respond(spec, params, spectra).clean
    params["grain"] = 0.0
    noise = (with_grain - respond(spec, params).clean)[:, 200:900]
    assert level == pytest.approx(0.1)
    assert noise.std() == pytest.approx(level * (1 - 0.8988**2), rel=0.03)
    envelope = np.abs(hilbert(noise, axis=1))[:, 100:-100]
    assert envelope.mean() / envelope.std() == pytest.approx(np.sqrt(np.pi / (4 - np.pi)), rel=0.03)


def test_correlated_grain_is_of_lower_frequency():
    def centre(correlation):
        grain = {"level": "-20 dB", "correlation": correlation, "decay": 1.0}
        spec = plain(wall={"grain": grain})
        spectra = grain_spectra(spec, chain_of(spec), ("test",), 64)
        params = nominal(spec, np.full(64, 2e-3))
        with_grain = respond(spec, params, spectra).clean
        params["grain"] = 0.0
        power = np.abs(np.fft.rfft(with_grain - respond(spec, params).clean, axis=1)) ** 2
        return np.average(np.fft.rfftfreq(1024, 1e-8), weights=power.sum(axis=0))

    assert centre(100e-6) < 0.9 * centre(0.0)
