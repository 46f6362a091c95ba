"""Parts of the model fit against published formulas, `tmm` and slow twins.

Layer reflection by the acoustic-optic mapping (s-polarisation, n proportional to 1/Z): Kinsler,
Frey, Coppens, Sanders, Fundamentals of Acoustics, ch. 6, and Brekhovskikh, Waves in Layered Media
(both from memory), with `tmm` as the program that nobody here wrote.
"""

import numpy as np
import pytest
import scipy.special
import scipy.stats
import tmm
from echotrial.ascan import Batch, Reason
from echotrial.errors import NotApplicable
from echotrial.setup import Medium
from echotrial_detectors.fit.beam import piston, spreading
from echotrial_detectors.fit.grid import LEAST_SPREAD, best_shifts, walls
from echotrial_detectors.fit.lanes import LANES, Table, in_blocks
from echotrial_detectors.fit.newton import (
    ARRIVAL,
    LOSS,
    SIDE,
    UNKNOWNS,
    WALL,
    accumulate,
    normal_step,
    refine,
    room,
)
from echotrial_detectors.fit.search import leaning, worth_more
from echotrial_detectors.fit.spectra import (
    Bins,
    Gate,
    gate_of,
    loss_law,
    noise_energy,
    pulse_of,
    spectra,
)
from echotrial_detectors.fit.stack import Stack, aperture, stack_of
from echotrial_detectors.fit.verdict import Fits, Limits, judge
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.plain_layers import reflection
from tests.trains import RATE, M, setup

POLYSTYRENE, GLYCERIN, STEEL, AIR = 2.4675e6, 2.40e6, 46.0e6, 413.0


def stack(
    *,
    delay: float = POLYSTYRENE,
    couplant: float = GLYCERIN,
    wall: float = STEEL,
    absorbed: float = 0.0,
) -> Stack:
    return Stack(
        (couplant - delay) / (couplant + delay),
        (wall - couplant) / (wall + couplant),
        50e-9,
        1904.0,
        absorbed,
    )


def law_of(frequency: np.ndarray) -> np.ndarray:
    """Loss that grows as the frequency, and no spreading of the beam."""
    return np.stack([loss_law(frequency), np.zeros(frequency.size)])


def by_tmm(frequency: float, wall: float, gap: float, delay: float = POLYSTYRENE) -> complex:
    """Times in periods; reflection of delay line | couplant | wall | air, exp(+j w t)."""
    impedances = np.array([delay, GLYCERIN, STEEL, AIR])
    n = 1e6 / impedances  # s-polarisation: n goes as 1/Z
    # a phase of pi f t one way, with lam_vac = 1: 2 pi n d = pi f t
    thickness = [np.inf, frequency * gap / 2 / n[1], frequency * wall / 2 / n[2], np.inf]
    return complex(np.conj(tmm.coh_tmm("s", list(n), thickness, 0.0, 1.0)["r"]))


@pytest.mark.parametrize("delay", [POLYSTYRENE, 13.1e6])
def test_reflection_is_that_of_tmm(delay):
    frequency = np.linspace(0.4, 1.7, 40)
    found = reflection(
        2j * np.pi * frequency,
        law_of(frequency),
        stack(delay=delay),
        np.array([1.3, 0.17, 0.0, 0.0, 0.0]),
    )
    want = [by_tmm(f, 1.3, 0.17, delay) for f in frequency]
    # air is no vacuum, and a resonance multiplies what it takes
    np.testing.assert_allclose(found, want, atol=1e-3)


def test_a_lossless_wall_reflects_everything():
    s = 2j * np.pi * np.linspace(0.3, 2, 50)
    found = reflection(s, np.zeros((2, s.size)), stack(), np.array([0.9, 0.1, 0.0, 0.0, 0.0]))
    np.testing.assert_allclose(np.abs(found), 1.0, atol=1e-12)


@pytest.mark.parametrize(("r01", "limit"), [(0.02, 4e-3), (-0.69, 1e-3)])
@pytest.mark.parametrize("square", [False, True])
def test_strips_average_as_the_integral_does(r01, limit, square):
    """Mean of exp(-j phase v) over a round and a square tip, by 10,000 strips."""
    strips = aperture(r01)
    y = (np.arange(10_000) + 0.5) / 10_000
    weight = np.ones_like(y) if square else np.sqrt(1 - y**2)
    weight /= weight.sum()
    shape = 0.5 if square else -0.5
    for phase in (0.5, 3.0, 6.0):
        want = weight @ np.exp(-1j * phase * y**2)
        found = (strips.share + shape * strips.lean) @ np.exp(-1j * phase * strips.excess)
        assert abs(found - want) < limit
    assert strips.share.sum() == pytest.approx(1)
    assert strips.lean.sum() == pytest.approx(0, abs=1e-12)


def test_loss_law_is_causal():
    """Waters et al. (2000), y = 1, 1 dB/(cm MHz): 2350 m/s at 10 MHz, 2352.615 at 15 MHz."""
    f0, c0 = 10e6, 2350.0
    alpha0 = 10.0 * 100 / (20 * np.log10(np.e))  # Np/m at 10 MHz
    law = loss_law(np.array([1.5, 0.5]))
    # exponent -(s + loss law): the imaginary part of the law slows or speeds the wave
    slowness = 1 / c0 + alpha0 * law.imag / (2 * np.pi * f0 * np.array([1.5, 0.5]))
    np.testing.assert_allclose(1 / slowness, [2352.615, 2345.543], atol=0.01)


def problem() -> tuple[Gate, Stack, np.ndarray, np.ndarray]:
    known = setup()
    gate = gate_of(known, RATE, 250e-9, 2.5e-6)
    pulse = pulse_of(known.reference_echo, gate, gate.s)
    theta = np.array([0.13, 1.45, 0.07, 0.31, 0.02, 0.2])
    return gate, stack(absorbed=0.1), pulse, theta


def model(theta: np.ndarray) -> np.ndarray:
    """The obvious twin of `accumulate`: the model's spectrum from `reflection`."""
    gate, layers, pulse, _ = problem()
    shift = np.exp(-theta[ARRIVAL] * gate.s)
    return -pulse * shift * reflection(gate.s, law_of(gate.frequency), layers, theta[1:])


def products(theta: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    gate, layers, pulse, _ = problem()
    table = table_of(gate, pulse)
    *working, inner, _ = room(strips_of(layers).shape[1], table.blocks)
    accumulate(
        theta, table.records(y[None]), 0, table.known, table.blocks, table.damping, table.first,
        table.step, strips_of(layers), layers.couplant_loss, layers.delay_couplant,
        layers.couplant_wall, *working, inner, 1,
    )  # fmt: skip
    return inner[1, :, :SIDE], inner[1, :, SIDE]


def table_of(gate: Gate, pulse: np.ndarray) -> Table:
    nothing = np.zeros(pulse.size, complex)
    return Table.of(Bins.of(gate, pulse, pulse, nothing), gate.freedom)


def strips_of(layers: Stack) -> np.ndarray:
    strips = aperture(layers.delay_couplant)
    return np.stack([strips.excess, strips.share, strips.lean])


def test_kernel_agrees_with_its_twin_and_with_differences():
    _, _, _, theta = problem()
    y = np.random.default_rng(3).standard_normal((model(theta).size, 2)) @ [1, 1j]
    rows = [model(theta)]
    for i in range(UNKNOWNS):
        step = np.zeros(UNKNOWNS)
        step[i] = 1e-6
        rows.append((model(theta + step) - model(theta - step)) / 2e-6)
    rows = np.array(rows)
    gram, onto = products(theta, y)
    want = (rows.conj() @ rows.T).real
    np.testing.assert_allclose(np.tril(gram), np.tril(want), rtol=2e-4, atol=2e-4 * want.max())
    np.testing.assert_allclose(onto, (rows.conj() @ y).real, rtol=1e-3, atol=1e-3 * want.max())


def refined(start: np.ndarray, truth: np.ndarray, rounds: int) -> float:
    """Move `start` to the best fit to the model of `truth`; gives the share left of its energy."""
    gate, layers, pulse, _ = problem()
    y = model(truth)
    y /= np.linalg.norm(y)
    table, result = table_of(gate, pulse), np.empty((1, 3))
    refine(
        np.zeros(1, np.int64), start[None], np.zeros((1, UNKNOWNS)), np.full(UNKNOWNS, 1e3),
        np.array([[-9, 0.02, 0, 0, 0, -1.0]]), np.array([layers.couplant_wall]),
        table.records(y[None]), table.known, table.blocks, table.damping, table.first, table.step,
        table.freedom, strips_of(layers), layers.couplant_loss, layers.delay_couplant, rounds, 1e-9,
        *room(strips_of(layers).shape[1], table.blocks), np.empty(UNKNOWNS), result,
        np.empty((1, SIDE, SIDE + 1)),
    )  # fmt: skip
    return float(result[0, 1])


@settings(deadline=None, max_examples=40)
@given(st.floats(-0.07, 0.07), st.floats(-0.06, 0.06), st.floats(0.02, 0.1), st.floats(0.05, 0.4))
def test_newton_finds_the_record_it_was_made_of(shift, off, gap, spread):
    theta = problem()[3]
    truth = np.array([theta[0], theta[1], gap, spread, 0.02, 0.0])
    start = truth + np.array([shift, off, 0.02, -0.03, 0.0, 0.0])
    left = refined(start, truth, 60)
    assert left < 3e-4  # loss and shape trade with gap and spread: a flat valley
    assert start[WALL] == pytest.approx(truth[WALL], abs=4e-3)
    assert start[LOSS] >= 0


@pytest.mark.parametrize("high", [0.5, 0.36])
def test_noise_in_a_damped_spectrum_is_what_noise_alone_has_there(high):
    """Noise alone, white or as a receiver leaves it: its energy by the transform itself."""
    gate, known = problem()[0], setup()
    rng = np.random.default_rng(8)
    spectrum = np.fft.rfft(rng.standard_normal((400, M)))
    spectrum[:, round(high * M) :] = 0.0
    samples = np.fft.irfft(spectrum, M).astype(np.float32)
    assert gate.frequency[-1] * known.centre_frequency < high * RATE
    batch = Batch.of(samples, RATE, 0.0, known)
    first = np.full(400, 100)
    truth = np.sum(np.abs(spectra(batch, first, first + gate.before, gate)) ** 2, axis=1)
    found = noise_energy(batch, first, gate)
    # Of the stretches one of the quieter counts: a little too low by chance.
    assert 0.8 < np.median(found) / truth.mean() < 1.05


def test_a_spread_of_the_gap_is_found_from_some_spread_and_not_from_none():
    """What a little of it does beyond its mean is of second order: Gauss-Newton sees no slope."""
    left = []
    for begun_with in (0.0, LEAST_SPREAD):
        truth = np.array([0.13, 0.65, 0.02, 0.36, 0.01, -0.2])
        start = np.array([0.13, 0.65, 0.0, begun_with, 0.01, 0.0])
        start[ARRIVAL] += 0.29 * (0.36 - begun_with) + 0.02
        left.append(refined(start, truth, 12))
    assert left[0] > 1e-3 > 30 * left[1]


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 10_000), st.floats(1e-6, 10.0), st.sets(st.integers(0, 5), max_size=3))
def test_a_step_solves_the_normal_equations_of_the_unknowns_that_are_free(seed, stiff, resting):
    """By numpy's solver on the projected Gram matrix (Levenberg-Marquardt, Golub-Pereyra)."""
    rng = np.random.default_rng(seed)
    rows, y = rng.standard_normal((SIDE, 30)), rng.standard_normal(30)
    inner = np.zeros((2, SIDE, SIDE + 1))
    inner[1, :, :SIDE], inner[1, :, SIDE] = np.tril(rows @ rows.T), rows @ y
    theta, centre, spread = rng.uniform(0, 1, (3, UNKNOWNS)) + 0.1
    floor = np.where(np.isin(np.arange(UNKNOWNS), list(resting)), theta, -9.0)
    noise, height = 0.3, float(inner[1, 0, SIDE] / inner[1, 0, 0])
    left = rows[1:] - np.outer(rows[1:] @ rows[0], rows[0]) / (rows[0] @ rows[0])
    slope = height * (rows[1:] @ (y - height * rows[0])) / noise - (theta - centre) / spread**2
    matrix = height**2 * left @ left.T / noise + np.diag(spread**-2)
    free = (theta > floor) | (slope >= 0)
    matrix = matrix[np.ix_(free, free)] * (1 + stiff * np.eye(free.sum()))
    want = np.zeros(UNKNOWNS)
    want[free] = np.linalg.solve(matrix, slope[free])
    equations = room(1, 1)[-1]
    gain = normal_step(theta, centre, spread, floor, noise, height, stiff, inner, 1, equations)
    np.testing.assert_allclose(equations[:, -1], want, rtol=1e-6, atol=1e-9)
    assert gain == pytest.approx(want @ slope, rel=1e-6)


@given(st.integers(1, 70), st.integers(1, 4))
def test_blocks_hold_every_bin_once_and_silence_behind(bins, rows):
    values = np.arange(1.0, bins * rows + 1).reshape(1, rows, bins)
    blocks = in_blocks(values).reshape(-1, rows, LANES)
    back = np.moveaxis(blocks, 1, 0).reshape(rows, -1)
    np.testing.assert_array_equal(back[:, :bins], values[0])
    assert not back[:, bins:].any()


@settings(deadline=None, max_examples=40)
@given(st.floats(-0.45, 0.45))
def test_shift_between_products_is_interpolated(shift):
    """A Gaussian band of 60 % turned by `shift` periods: the phase is upright there."""
    f = np.linspace(0.3, 1.7, 200)
    power = np.exp(-((f - 1) ** 2) / 0.065)
    before, centre, after = (
        complex(np.sum(power * np.exp(2j * np.pi * f * (d - shift)))) for d in (-0.25, 0.0, 0.25)
    )
    products = np.array([[[c.real], [c.imag]] for c in (before, centre, after)], np.float32)
    best_shifts(products, found := np.empty(1, np.float32), height := np.empty(1, np.float32))
    assert found[0] == pytest.approx(shift, abs=0.012)
    assert height[0] == pytest.approx(power.sum(), rel=0.03)


def test_grid_of_walls_is_dense_enough_for_the_ninth_echo():
    grid = walls(0.2, 11.0, 0.06)
    assert grid[0] == 0.2
    assert grid[-1] >= 11.0
    assert np.diff(grid).min() * 9 < 0.5
    assert np.all(np.diff(grid) < 0.3)


def test_without_impedances_there_is_no_model():
    with pytest.raises(NotApplicable, match="impedances"):
        stack_of(setup(wall=Medium(material="unknown stuff")))
    found = stack_of(setup())
    assert found.interface == pytest.approx((45.9 - 2.47) / (45.9 + 2.47), rel=1e-9)
    assert found.film.couplant_wall == 0.0


def test_round_tip_has_the_mean_gap_of_the_geometry():
    """Mean of y^2 over a disc by chords is 1/4, over a square 1/3."""
    strips = aperture(0.0)
    assert (strips.share - 0.5 * strips.lean) @ strips.excess == pytest.approx(0.25, abs=2e-3)
    assert (strips.share + 0.5 * strips.lean) @ strips.excess == pytest.approx(1 / 3, abs=2e-3)
    assert scipy.special.beta(1.5, 1.5) / scipy.special.beta(0.5, 1.5) == pytest.approx(0.25)


def test_the_pistons_field_is_the_published_one():
    """|D| and phase of Rogers and Van Buren's closed form as tabulated for S = 0.5, 1, 2, 5."""
    found = piston(np.array([0.5, 1.0, 2.0, 5.0]))
    np.testing.assert_allclose(np.abs(found), [0.856547, 0.808130, 0.751721, 0.551201], atol=1e-6)
    np.testing.assert_allclose(np.angle(found), [0.1814, 0.2659, 0.3883, 0.9640], atol=1e-4)


def test_spreading_is_the_difference_of_two_pistons():
    known = setup(
        delay_line=Medium(impedance=2.47e6, velocity=2350.0, length=10e-3), element_diameter=3e-3
    )
    hertz, area = 20e6, 1.5e-3**2
    before = 2 * 10e-3 * 2350 / hertz / area
    wall = 0.5e-3
    after = before + 2 * wall * 5740 / hertz / area
    periods = 2 * wall / 5740 * 20e6
    found = np.exp(-periods * spreading(known, np.array([1.0])))[0]
    want = (piston(np.array([after])) / piston(np.array([before])))[0]
    assert abs(found - want) < 2e-2  # D ripples about the mean slope
    assert not spreading(setup(), np.array([1.0])).any()


@pytest.mark.parametrize(
    ("side", "far", "reason"),
    [(9.1, np.inf, Reason.READ), (8.9, np.inf, Reason.AMBIGUOUS), (4.1, 9.1, Reason.READ),
     (3.9, 9.1, Reason.AMBIGUOUS), (20.0, 8.9, Reason.AMBIGUOUS)],
)  # fmt: skip
def test_of_a_thin_wall_two_tolerances_count_more_than_one(side, far, reason):
    one = np.ones(1)
    fits = Fits(
        np.array([[-300.0, np.inf]]), np.array([[0.2e-3, 0.0]]), np.array([[1e-3, 1.0]]),
        np.zeros(1, np.int64), 1e-7 * one, side * one, far * one, 1e-3 * one, 0.0 * one, one < 0,
        0.0 * one, 0.0 * one,
    )  # fmt: skip
    limits = Limits(12, 12, 3, 3, 9, 1, 3, True, 1e-3, 3, 0.02)
    assert judge(fits, limits, 5e-6 * one, (1e-4, 1e-3))[0][0] == reason


@pytest.mark.parametrize(("below", "above"), [(1.0, 9.0), (4.0, 4.0), (25.0, 2.0)])
def test_the_mean_of_a_lopsided_posterior_is_that_of_its_integral(below, above):
    """Two half normal densities that meet at the mode, by quadrature of scipy's."""

    def mean_over(rise, sign):
        half = scipy.stats.halfnorm(scale=1 / np.sqrt(rise))
        mass = 1 / half.pdf(0.0)  # the density at the mode is the same on either side
        return mass, sign * mass * half.expect(lambda x: x)

    (low, down), (high, up) = mean_over(below, -1), mean_over(above, 1)
    found = leaning(np.array([[below], [above]]))[0]
    assert found == pytest.approx((down + up) / (low + high), abs=1e-6)


@pytest.mark.parametrize(
    ("wall_um", "film", "reason"),
    [(41.0, 10.0, Reason.READ), (31.0, 10.0, Reason.NO_ECHO), (31.0, 25.0, Reason.READ),
     (29.0, 25.0, Reason.OUT_OF_RANGE)],
)  # fmt: skip
def test_a_wall_below_the_wall_range_must_be_far_likelier_than_a_film(wall_um, film, reason):
    one = np.ones(1)
    fits = Fits(
        np.array([[-300.0, film - 300.0]]), np.array([[1e-6 * wall_um, 0.0]]),
        np.array([[1e-3, 1.0]]), np.zeros(1, np.int64), 1e-6 * one, 9.0 * one, np.inf * one,
        1e-3 * one, 0.0 * one, one < 0,
        0.0 * one, 0.0 * one,
    )  # fmt: skip
    limits = Limits(12, 5, 3, 3, 6, 0.3, 3, False, 1e-3, 3, 0.02)
    assert judge(fits, limits, 10e-6 * one, (40e-6, 1e-3))[0][0] == reason


@pytest.mark.parametrize(
    ("left", "hope", "on"),
    [((0.01, 0.02), 0.0, (True, True)), ((0.08, 0.09), 0.0, (True, False)),
     ((0.08, 0.09), 0.1, (True, True)), ((0.5, 0.6), 0.1, (False, False))],
)  # fmt: skip
def test_fits_of_records_that_no_wall_explains_are_given_up(left, hope, on):
    """A reading may leave 0.02: beyond some times that the best alone goes on, or none."""
    results = np.array([[[100 * np.log(share), share, 1.0] for share in left]])
    found = worth_more(results, 100.0, np.array([0.02]), hope)
    assert tuple(found[0]) == on


def test_a_fit_that_is_far_behind_is_worth_no_more():
    results = np.array([[[-300.0, 0.01, 1.0], [-299.0, 0.01, 1.0], [-200.0, 0.02, 1.0]]])
    assert worth_more(results, 30.0, np.array([0.02]), 0.0).tolist() == [[True, True, False]]
