"""Thin-wall limits: the bins' by counting, the regression's on published data."""

import numpy as np
import pytest
import statsmodels.api as sm
from echotrial.scores.hit_miss import hit_miss, quantile, quantile_bound
from echotrial.scores.logistic import Logistic, NoEstimateError, fit_logistic
from echotrial.scores.sampling import Sampling
from echotrial.scores.thin_wall import hit_limit, lock_limit
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import optimize

FREE = Sampling()
# S. Dalal, E. Fowlkes, B. Hoadley, J. Am. Stat. Assoc. 84 (1989) 945-957: joint temperature in
# degrees Fahrenheit and O-ring distress of 23 flights.
TEMPERATURE = [66, 70, 69, 68, 67, 72, 73, 70, 57, 63, 70, 78, 67, 53, 67, 75, 70, 81, 76, 79, 75,
               76, 58]  # fmt: skip
DISTRESS = [0, 1, 0, 0, 0, 0, 0, 0, 1, 1, 1, 0, 0, 1, 0, 0, 0, 0, 0, 0, 1, 0, 1]


def test_logistic_regression_of_the_o_rings() -> None:
    fit = fit_logistic(np.array(TEMPERATURE, dtype=float), np.array(DISTRESS, dtype=bool))
    assert fit.intercept == pytest.approx(15.0429, abs=5e-5)
    assert fit.slope == pytest.approx(-0.2322, abs=5e-5)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([7.3786, 0.1082], abs=5e-5)
    assert -2 * fit.log_likelihood == pytest.approx(20.3152, abs=5e-5)


@pytest.mark.parametrize(
    ("p", "dose", "error"), [(0.25, 2.231265, 0.2499089), (0.5, 3.263587, 0.2297539)]
)
def test_quantiles_of_the_budworms(p: float, dose: float, error: float) -> None:
    """W. Venables, B. Ripley, MASS, `dose.p` on the budworm data: quantile and standard error.

    Their model has an intercept for each sex, so statsmodels fits it here; ours is the quantile.
    """
    log_dose, sex = np.tile(np.arange(6.0), 2), np.repeat([1.0, 0.0], 6)
    dead = np.array([1, 4, 9, 13, 18, 20, 0, 2, 6, 10, 12, 16])
    design = np.column_stack([1 - sex, sex, log_dose])
    fit = sm.GLM(np.column_stack([dead, 20 - dead]), design, family=sm.families.Binomial()).fit()
    females = np.ix_([0, 2], [0, 2])
    found = quantile(Logistic(fit.params[0], fit.params[2], fit.cov_params()[females], fit.llf), p)
    assert found == pytest.approx((dose, error), abs=2e-6)


def planted_walls(n: int, seed: int) -> tuple[np.ndarray, np.ndarray, float]:
    """Walls in metres, hits of a logistic law in ln(wall), and the true 90 % wall."""
    rng = np.random.default_rng(seed)
    wall = np.linspace(0.1e-3, 2.0e-3, n)
    hit = rng.random(n) < 1 / (1 + (wall / 0.6e-3) ** -4.0)
    return wall, hit, 0.6e-3 * 9**0.25


def test_90_95_of_many_walls_comes_near_the_truth() -> None:
    wall, hit, true = planted_walls(4000, 1)
    found = hit_miss(wall, hit, FREE)
    assert found.wall_m == pytest.approx(true, rel=0.05)
    assert found.wall_m < found.wall_bound_m < 1.1 * true
    assert found.note == ""


@pytest.mark.parametrize("seed", [2, 3, 4])
@pytest.mark.parametrize("newton_fails", [False, True])
def test_likelihood_ratio_bound_against_a_generalised_linear_model(
    seed: int, newton_fails: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Profile by statsmodels' GLM with an offset: at the bound the deviance is 2.7055 higher
    (chi-squared of one degree of freedom at 0.90, from tables)."""
    if newton_fails:
        none = optimize.OptimizeResult(success=False, x=np.zeros(2))
        monkeypatch.setattr(optimize, "root", lambda *_, **__: none)
    else:
        monkeypatch.delattr("echotrial.scores.hit_miss._sought")
    wall, hit, _ = planted_walls(60, seed)
    x = np.log(wall)
    fit = fit_logistic(x, hit)
    bound = quantile_bound(x, hit, fit, 0.9, 0.95)
    binomial = sm.families.Binomial()
    free = sm.GLM(hit.astype(float), sm.add_constant(x), family=binomial).fit()
    through = sm.GLM(
        hit.astype(float), x - bound, family=binomial, offset=np.full(60, np.log(9.0))
    ).fit()
    assert through.deviance - free.deviance == pytest.approx(2.7055, abs=1e-3)


@given(st.integers(0, 2**32 - 1), st.integers(20, 400), st.floats(0.5, 30), st.floats(0.02, 0.98))
def test_logistic_regression_is_that_of_statsmodels(
    seed: int, n: int, slope: float, share: float
) -> None:
    rng = np.random.default_rng(seed)
    x = rng.uniform(-8, -6, n)
    hit = rng.random(n) < 1 / (1 + np.exp(-slope * (x + 8 - 2 * share)))
    assume(hit.any() and not hit.all())
    assume(x[hit].min() < x[~hit].max() and x[~hit].min() < x[hit].max())
    found = fit_logistic(x, hit)
    binomial = sm.families.Binomial()
    design = sm.add_constant(x + 7)
    other = sm.GLM(hit.astype(float), design, family=binomial).fit(tol=1e-12, maxiter=200)
    assert found.log_likelihood == pytest.approx(other.llf, rel=1e-7)
    assert found.slope == pytest.approx(other.params[1], rel=1e-3)
    assert found.intercept - 7 * found.slope == pytest.approx(other.params[0], rel=1e-3, abs=1e-3)
    back = np.array([[1.0, -7.0], [0.0, 1.0]])
    np.testing.assert_allclose(back @ found.covariance @ back.T, other.cov_params(), rtol=2e-3)


@pytest.mark.parametrize(
    ("wall", "hit", "why"),
    [
        (np.linspace(1, 2, 50), np.ones(50, dtype=bool), "all are hits"),
        (np.linspace(1, 2, 50), np.zeros(50, dtype=bool), "none is a hit"),
        (np.linspace(1, 2, 50), np.arange(50) > 20, "separation"),
        (np.linspace(1, 2, 50), np.arange(50) < 20, "separation"),
        (np.ones(50), np.arange(50) < 20, "no walls of different thickness"),
        (np.empty(0), np.empty(0, dtype=bool), "no walls"),
        (np.linspace(1, 2, 50), np.arange(50) % 7 > 0, "outside the walls tested"),
        (np.linspace(1, 2, 50), ~np.isin(np.arange(50), [5, 9, 26, 27, 38]), "bounds no wall"),
        (np.linspace(1, 2, 60), np.random.default_rng(0).random(60) < np.linspace(0.9, 0.1, 60),
         "do not become more"),
    ],
)  # fmt: skip
def test_no_estimate(wall: np.ndarray, hit: np.ndarray, why: str) -> None:
    found = hit_miss(wall * 1e-3, hit, FREE)
    assert np.isnan([found.wall_m, found.wall_bound_m]).all()
    assert found.note.startswith("no estimate: ")
    assert any(w in found.note for w in why.split("|"))


def test_no_estimate_from_several_records_of_a_specimen() -> None:
    wall, hit, _ = planted_walls(60, 2)
    found = hit_miss(wall, hit, Sampling(np.arange(60) // 2))
    assert found.note == "no estimate: several records of a specimen"


def test_no_estimate_is_raised_for_separated_data() -> None:
    with pytest.raises(NoEstimateError, match="separation"):
        fit_logistic(np.arange(10.0), np.arange(10) > 4)


def test_limit_is_the_lower_edge_of_the_last_bin_that_passes() -> None:
    """1000 walls from 1.000 to 1.999 mm, 10 bins of 100, misses below 1.3 mm only."""
    wall = np.arange(1000, 2000) * 1e-6
    found = hit_limit(wall, wall > 1.2995e-3, FREE)
    assert (found.passed, found.bins) == (7, 10)
    assert found.wall_m == pytest.approx(1.3e-3, abs=1e-6)


@pytest.mark.parametrize(("misses", "passed"), [(4, 10), (5, 9)])
def test_a_bin_of_100_may_miss_four(misses: int, passed: int) -> None:
    """Exact lower 95 % bound of 96 of 100 is 0.9109, of 95 of 100 is 0.8977 (scipy.stats)."""
    wall = np.arange(1000, 2000) * 1e-6
    hit = np.ones(1000, dtype=bool)
    hit[:misses] = False
    found = hit_limit(wall, hit, FREE)
    assert found.passed == passed
    assert found.note == ("all 10 bins pass: at or below" if passed == 10 else "9 of 10 bins pass")


def test_good_bins_below_a_bad_one_do_not_count() -> None:
    wall = np.arange(1000, 2000) * 1e-6
    hit = (wall < 1.5e-3) | (wall > 1.6e-3)
    assert hit_limit(wall, hit, FREE).wall_m == pytest.approx(1.6e-3, abs=1e-6)


@pytest.mark.parametrize("n", [0, 99])
def test_too_few_walls_for_a_bin(n: int) -> None:
    found = hit_limit(np.linspace(1e-3, 2e-3, n), np.ones(n, dtype=bool), FREE)
    assert np.isnan(found.wall_m)
    assert found.note == f"no estimate: {n} walls, 100 wanted for a bin"


def test_no_hits_have_no_limit_and_all_hits_reach_the_thinnest() -> None:
    wall = np.linspace(1e-3, 2e-3, 500)
    none = hit_limit(wall, np.zeros(500, dtype=bool), FREE)
    assert np.isnan(none.wall_m)
    assert none.note == "no estimate: the thickest bin fails"
    assert hit_limit(wall, np.ones(500, dtype=bool), FREE).wall_m == pytest.approx(1e-3)


def test_false_lock_limit_needs_600_clean_walls_a_bin() -> None:
    """Exact upper 95 % bound of 0 of 600: 0.50 %, 1: 0.79 %, 2: 1.05 % (scipy.stats)."""
    wall = np.linspace(1e-3, 2e-3, 1800)
    lock = np.zeros(1800, dtype=bool)
    lock[[100, 700]] = True  # one in the thinnest third, one in the second
    assert lock_limit(wall, lock, FREE, 0.01).passed == 3
    lock[101] = True
    found = lock_limit(wall, lock, FREE, 0.01)
    assert (found.passed, found.bins) == (2, 3)
    assert found.wall_m == pytest.approx(1.3333e-3, rel=1e-3)


def test_specimens_not_traces_pass_a_bin() -> None:
    """30 specimens of 20 equal traces each: 600 hits, but 3 bins of 10 specimens are no 90/95."""
    wall = np.repeat(np.linspace(1e-3, 2e-3, 30), 20)
    hit = np.ones(600, dtype=bool)
    assert hit_limit(wall, hit, FREE).passed == 6
    assert hit_limit(wall, hit, Sampling(np.repeat(np.arange(30), 20))).passed == 0
