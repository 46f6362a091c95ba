"""Bias, precision, trend and efficiency on published data and on planted errors."""

import numpy as np
import pytest
from echotrial.scores.efficiency import efficiency
from echotrial.scores.precision import bias_interval, moments, spread
from echotrial.scores.sampling import Sampling
from echotrial.scores.trend import line, trend, velocity_part_um
from scipy import stats
from statsmodels.regression.linear_model import OLS
from statsmodels.tools.tools import add_constant

FREE = Sampling()
# B. Efron, R. Tibshirani, An Introduction to the Bootstrap (1993): the law-school data.
LSAT = [576, 635, 558, 578, 666, 580, 555, 661, 651, 605, 653, 575, 545, 572, 594]


def test_planted_errors() -> None:
    error = np.array([-3.0, 1.0, 2.0, 4.0, 11.0])
    found = spread(error, FREE)
    assert (found.n, found.bias, found.median) == (5, 3.0, 2.0)
    assert found.sd == pytest.approx(np.sqrt(106 / 4))  # deviations -6 -2 -1 1 8
    assert found.mad == 2.0  # distances from 2: 5 1 0 2 9
    assert found.mad == stats.median_abs_deviation(error)
    assert found.rms == pytest.approx(np.sqrt(151 / 5))


def test_bias_interval_is_the_bootstrap_of_the_mean() -> None:
    data = np.asarray(LSAT, dtype=float)
    found, note = bias_interval(data, FREE)
    other = stats.bootstrap(
        (data,), np.mean, n_resamples=20000, rng=np.random.default_rng(9)
    ).confidence_interval
    assert found == pytest.approx((other.low, other.high), abs=1.5)
    assert note == "bootstrap of 15 readings"


def test_many_readings_have_students_interval() -> None:
    error = np.random.default_rng(1).normal(2.0, 5.0, 4000)
    found, note = bias_interval(error, FREE)
    expected = stats.ttest_1samp(error, 0).confidence_interval(0.95)
    assert found == pytest.approx((expected.low, expected.high), rel=1e-9)
    assert note == "Student's interval of 4000 readings"


def test_traces_of_a_specimen_are_resampled_together() -> None:
    rng = np.random.default_rng(2)
    centre = np.repeat(rng.normal(0, 5, 12), 30)
    error = centre + rng.normal(0, 0.1, 360)
    together, note = bias_interval(error, Sampling(np.repeat(np.arange(12), 30)))
    apart, _ = bias_interval(error, FREE)
    assert together.high - together.low > 4 * (apart.high - apart.low)
    assert note == "bootstrap of 12 specimens"
    one, note = bias_interval(error, Sampling(np.zeros(360, dtype=np.intp)))
    assert np.isnan(one).all()
    assert note == "one specimen: no interval"


@pytest.mark.parametrize("bootstrap", [True, False])
def test_no_reading_one_reading_and_equal_readings(bootstrap: bool) -> None:
    none = moments(np.empty(0), FREE, bootstrap)
    assert none.n == 0
    assert np.isnan([none.bias, none.sd, *none.bias_interval]).all()
    one = moments(np.array([2.0]), FREE, bootstrap)
    assert (one.bias, one.note) == (2.0, "one reading")
    assert np.isnan([one.sd, *one.bias_interval]).all()
    alike = moments(np.full(9, 2.0), FREE, bootstrap)
    assert (alike.sd, tuple(alike.bias_interval)) == (0.0, (2.0, 2.0))


def test_the_full_description_of_no_reading_is_blank() -> None:
    none = spread(np.empty(0), FREE)
    assert np.isnan([none.median, none.mad, none.rms, none.bias, none.sd]).all()


def test_wrong_velocity_is_a_slope() -> None:
    wall = np.linspace(500, 2000, 400)
    noise = np.random.default_rng(3).normal(0, 1.0, 400)
    found = trend(0.01 * wall + noise, wall, FREE)
    assert found.slope_interval.low < 0.01 < found.slope_interval.high
    assert found.slope == pytest.approx(0.01, abs=5e-4)
    assert found.cause == "velocity"


def test_wrong_zero_is_an_offset() -> None:
    wall = np.linspace(500, 2000, 400)
    noise = np.random.default_rng(4).normal(0, 1.0, 400)
    found = trend(7 + noise, wall, FREE)
    assert found.offset_interval.low < 7 < found.offset_interval.high
    assert found.cause == "zero offset"
    both = trend(7 + 0.01 * wall + noise, wall, FREE)
    assert both.cause == "velocity and zero offset"
    assert trend(noise, wall, FREE).cause == "neither velocity nor zero offset"


def test_slope_and_offset_against_scipy() -> None:
    rng = np.random.default_rng(5)
    wall, error = rng.uniform(500, 2000, 50), rng.normal(0, 3, 50)
    expected = stats.linregress(wall, error)
    found = trend(error, wall, FREE)
    assert (found.slope, found.offset_um) == pytest.approx((expected.slope, expected.intercept))


def test_interval_of_the_slope_by_hand() -> None:
    """HC3 of J. MacKinnon, H. White, J. Econometrics 29 (1985) 305-325 (from memory), written out;
    Student's quantile of 48 degrees of freedom, 2.0106."""
    rng = np.random.default_rng(5)
    wall = rng.uniform(500, 2000, 50)
    error = rng.normal(0, wall / 300)
    x = np.column_stack([np.ones(50), wall])
    bread = np.linalg.inv(x.T @ x)
    slope = (bread @ x.T @ error)[1]
    leverage = np.einsum("ij,jk,ik->i", x, bread, x)
    weight = ((error - x @ (bread @ x.T @ error)) / (1 - leverage)) ** 2
    reach = 2.0106 * np.sqrt((bread @ (x.T * weight) @ x @ bread)[1, 1])
    found = trend(error, wall, FREE).slope_interval
    assert found == pytest.approx((slope - reach, slope + reach), rel=1e-3)


@pytest.mark.parametrize("grouped", [False, True])
def test_line_and_its_covariance_are_those_of_statsmodels(grouped: bool) -> None:
    rng = np.random.default_rng(8)
    groups = np.sort(rng.integers(0, 9, 60))
    x = rng.uniform(500, 2000, 9)[groups] + rng.normal(0, 20, 60)
    y = 3 + 0.01 * x + rng.normal(0, 2, 9)[groups] + rng.normal(0, 1, 60)
    how = (
        {"cov_type": "cluster", "cov_kwds": {"groups": groups}} if grouped else {"cov_type": "HC3"}
    )
    reference = OLS(y, add_constant(x)).fit(use_t=True, **how)
    found, covariance, freedom = line(x, y, groups if grouped else None)
    assert found == pytest.approx(tuple(reference.params))
    np.testing.assert_allclose(covariance, reference.cov_params(), rtol=1e-8)
    assert freedom == (np.unique(groups).size - 1 if grouped else 58)
    shown = trend(y, x, Sampling(groups) if grouped else FREE)
    assert tuple(shown.slope_interval) == pytest.approx(tuple(reference.conf_int(0.05)[1]))
    assert tuple(shown.offset_interval) == pytest.approx(tuple(reference.conf_int(0.05)[0]))


@pytest.mark.filterwarnings("error")
def test_a_line_that_hangs_on_one_wall_has_no_interval() -> None:
    wall = np.append(np.full(19, 500.0), 900.0)
    found = trend(np.random.default_rng(9).normal(0, 1, 20), wall, FREE)
    assert not found.slope_interval.high - found.slope_interval.low < 1e-3
    assert np.isfinite(found.slope)


def test_traces_of_a_specimen_are_no_independent_points_of_a_trend() -> None:
    rng = np.random.default_rng(6)
    codes = np.repeat(np.arange(20), 30)
    wall = np.linspace(500, 2000, 20)[codes]
    error = rng.normal(0, 5, 20)[codes] + rng.normal(0, 0.1, 600)
    apart, together = (trend(error, wall, s).slope_interval for s in (FREE, Sampling(codes)))
    assert together.high - together.low > 3 * (apart.high - apart.low)


@pytest.mark.parametrize(
    ("error", "wall", "specimen"),
    [
        (np.ones(9), np.linspace(1, 2, 9), None),
        (np.ones(50), np.ones(50), None),
        (np.ones(50), np.linspace(1, 2, 50), np.repeat([0, 1], 25)),
        (np.empty(0), np.empty(0), None),
    ],
)
def test_no_trend_from_too_few_or_equal_walls(
    error: np.ndarray, wall: np.ndarray, specimen: np.ndarray | None
) -> None:
    found = trend(error, wall, Sampling(specimen))
    assert np.isnan([found.slope, found.offset_um]).all()
    assert found.cause.startswith("no estimate")


def test_the_part_that_a_wrong_velocity_explains() -> None:
    """d = v t / 2: 1 % too high a velocity reads 10 um per mm too thick (ASTM E797)."""
    part = velocity_part_um(np.array([1000.0, 500.0]), 4040.0, np.array([4000.0, 4000.0]))
    assert part == pytest.approx([10.0, 5.0])


def test_efficiency_of_planted_noise() -> None:
    rng = np.random.default_rng(6)
    bound = rng.uniform(0.2, 2.0, 20000)
    assert efficiency(rng.normal(0, bound), bound)[0] == pytest.approx(1.0, abs=0.02)
    assert efficiency(rng.normal(0, 3 * bound), bound)[0] == pytest.approx(3.0, abs=0.06)
    assert efficiency(np.array([4.0, 90.0]), np.array([2.0, 0.0])) == (2.0, 1)


def test_no_efficiency_without_a_bound() -> None:
    for error, bound in ((np.ones(3), np.full(3, np.nan)), (np.empty(0), np.empty(0))):
        ratio, n = efficiency(error, bound)
        assert np.isnan(ratio)
        assert n == 0
