"""Plane-wave reflection of layers against the optics package ``tmm`` and closed forms.

Acoustics maps on to s-polarised light: n_j ~ k_j / rho_j and thickness rho_j d_j, real even
with loss (derived; both are the same 2 x 2 transfer matrices). Interface and slab formulas:
Kinsler, Frey, Coppens, Sanders, Fundamentals of Acoustics, ch. 6 (from memory).
"""

import numpy as np
import pytest
import tmm
from echotrial_corpora.layers import Layer, interface, reflection

POLYSTYRENE = Layer(1050, 2350)
STEEL = Layer(7850, 5900)
WATER = Layer(998.2, 1482)


def by_optics(omega, layers):
    """Pressure reflection from `tmm` (its time runs as exp(-i w t): hence the conjugate)."""
    k = [complex(np.conj(-1j * layer.propagation(1j * omega))) for layer in layers]
    scale = 1 / np.mean([abs(kj) / layer.density for kj, layer in zip(k, layers, strict=True)])
    n = [scale * kj / layer.density for kj, layer in zip(k, layers, strict=True)]
    inner = [layer.density * layer.thickness / (2 * np.pi * scale) for layer in layers[1:-1]]
    return np.conj(tmm.coh_tmm("s", n, [np.inf, *inner, np.inf], 0.0, 1.0)["r"])


def test_realistic_lossy_stack_agrees_with_tmm():
    stack = [
        POLYSTYRENE,
        Layer(1260, 1920, 30.0, 2.0, 10e6, 20e-6),
        Layer(7850, 5900, 3.0, 1.5, 10e6, 1e-3),
        Layer(1.2, 343),
    ]
    for f in np.linspace(1e6, 30e6, 291):
        ours = reflection(2j * np.pi * f, stack)
        assert abs(ours - by_optics(2 * np.pi * f, stack)) < 1e-12


def test_random_stacks_agree_with_tmm():
    rng = np.random.default_rng(1)
    for _ in range(400):
        stack = [
            Layer(
                rng.uniform(1, 9000),
                rng.uniform(300, 6500),
                rng.uniform(0, 400) if j and rng.random() < 0.6 else 0.0,
                rng.choice([0.5, 1.0, 1.3, 2.0]),
                10e6,
                rng.uniform(1e-6, 2e-3),
            )
            for j in range(rng.integers(2, 7))
        ]
        omega = 2 * np.pi * rng.uniform(0.5e6, 30e6)
        assert abs(reflection(1j * omega, stack) - by_optics(omega, stack)) < 1e-11


def test_polystyrene_to_steel_as_tabulated():
    r = interface(1050 * 2350.0, 7850 * 5900.0)
    assert r == pytest.approx(0.898836672987, abs=1e-12)
    assert 1 - r**2 == pytest.approx(0.192092635293, abs=1e-12)


@pytest.mark.parametrize(
    ("thickness", "transmitted"),
    [(1e-3, 0.006069636667), (0.295e-3, 0.004072513234), (0.59e-3, 1.0)],
)
def test_steel_slab_in_water_as_in_closed_form(thickness, transmitted):
    stack = [WATER, Layer(7850, 5900, thickness=thickness), WATER]
    r = reflection(2j * np.pi * 5e6, stack)
    assert 1 - abs(r) ** 2 == pytest.approx(transmitted, abs=1e-11)


def test_quarter_wave_layer_of_mean_impedance_reflects_nothing():
    z = np.sqrt(WATER.density * WATER.velocity * STEEL.density * STEEL.velocity)
    layer = Layer(z / 3000, 3000, thickness=3000 / 5e6 / 4)
    assert abs(reflection(2j * np.pi * 5e6, [WATER, layer, STEEL])) < 1e-12


def test_lossless_wall_before_a_free_surface_reflects_everything():
    free = Layer(1e-9, 343)
    stack = [POLYSTYRENE, Layer(1260, 1920, thickness=20e-6), Layer(7850, 5900, thickness=1e-3)]
    r = reflection(2j * np.pi * np.linspace(0.1e6, 30e6, 400), [*stack, free])
    assert np.abs(r) == pytest.approx(np.ones(400), abs=1e-9)


def test_echo_train_of_a_wall_before_a_free_surface():
    """The echoes in the response of the recursion are e_0 = r, e_n = -(1 - r^2) r^(n-1)."""
    trip, n, bins = 2 * 1e-3 / 5900, 1024, 64
    s = 2j * np.pi * (np.arange(n) + 1e-6) / (trip * bins)
    wall = [POLYSTYRENE, Layer(7850, 5900, thickness=1e-3), Layer(1e-9, 343)]
    response = reflection(s[:bins], wall)
    # over one period of 1 / trip in frequency the Fourier series' coefficients are the echoes
    echoes = np.fft.ifft(response).real
    folded = echoes[:5]
    expected = [0.8988, -0.1921, -0.1727, -0.1552, -0.1395]
    # echoes that came later than 64 trips fold back: 0.8988^64 = 1e-3 of them
    assert folded == pytest.approx(expected, abs=3e-4)
    assert echoes.sum() == pytest.approx(-1, abs=1e-4)
