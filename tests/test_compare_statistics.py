"""Tests and intervals of comparisons against published examples, scipy and statsmodels."""

import math

import numpy as np
import pytest
from echotrial.compare import mean_shift, rate_difference, signed_rank, spread_ratio
from echotrial.compare.holm import holm
from echotrial.compare.mcnemar import least_p, mcnemar
from echotrial.compare.rate_difference import Discordant
from echotrial.scores.bootstrap import bootstrap
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.contingency_tables import mcnemar as reference_mcnemar
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.weightstats import ttost_paired

COUNTS = st.integers(0, 60)


# -- McNemar --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("method", "published"), [("exact", 0.070), ("mid-p", 0.039), ("asymptotic", 0.034)]
)
def test_mcnemar_of_fagerland_lydersen_laake(method, published):
    # BMC Med. Res. Methodol. 13 (2013) 91: discordant 1 and 7 (numbers from memory).
    assert mcnemar(1, 7, method) == pytest.approx(published, abs=5e-4)
    assert mcnemar(7, 1, method) == mcnemar(1, 7, method)


def test_mcnemar_of_agrestis_approval_table():
    # A. Agresti, Categorical Data Analysis: 794, 150, 86, 570 (from memory): chi square 17.356.
    assert stats.chi2.isf(mcnemar(150, 86, "asymptotic"), 1) == pytest.approx(17.356, abs=1e-3)


@given(COUNTS, COUNTS)
def test_mcnemar_is_that_of_statsmodels(more, fewer):
    exact = reference_mcnemar([[0, more], [fewer, 0]], exact=True).pvalue if more + fewer else 1
    assert mcnemar(more, fewer) == pytest.approx(exact, abs=1e-12)
    if more + fewer:
        loose = reference_mcnemar([[0, more], [fewer, 0]], exact=False, correction=False).pvalue
        assert mcnemar(more, fewer, "asymptotic") == pytest.approx(loose, abs=1e-12)


@given(COUNTS, COUNTS)
def test_mid_p_takes_half_of_what_is_exactly_as_likely(more, fewer):
    n = more + fewer
    if n == 0:
        assert mcnemar(0, 0, "mid-p") == 1
        return
    ways = stats.binom.pmf(np.arange(n + 1), n, 0.5)
    seen = abs(2 * more - n)
    tail = abs(2 * np.arange(n + 1) - n)
    twin = ways[tail > seen].sum() + 0.5 * ways[tail == seen].sum()
    assert mcnemar(more, fewer, "mid-p") == pytest.approx(twin, abs=1e-12)


def test_nothing_that_differs_is_no_evidence():
    assert mcnemar(0, 0) == mcnemar(0, 0, "mid-p") == mcnemar(0, 0, "asymptotic") == 1


@given(st.integers(1, 200))
def test_least_p_is_that_of_all_one_way(n):
    assert least_p(n) == pytest.approx(stats.binomtest(n, n).pvalue)


# -- difference of rates --------------------------------------------------------------------------


def restricted_likelihood(pairs, delta):
    """Slow twin: the likelihood of "event in A alone" under a difference, maximised on a grid."""
    share = np.linspace(max(0, -delta) + 1e-9, (1 - delta) / 2 - 1e-9, 200_001)
    both = pairs.n - pairs.more - pairs.fewer
    with np.errstate(divide="ignore", invalid="ignore"):
        log = (
            pairs.more * np.log(share + delta)
            + pairs.fewer * np.log(share)
            + both * np.log1p(-2 * share - delta)
        )
    best = share[np.nanargmax(log)]
    return (pairs.more - pairs.fewer - pairs.n * delta) / math.sqrt(
        pairs.n * (2 * best + delta - delta**2)
    )


@pytest.mark.parametrize("pairs", [(100, 12, 5), (44, 1, 9), (21, 1, 7), (500, 3, 0)])
@pytest.mark.parametrize("delta", [-0.3, -0.01, 0.02, 0.25])
def test_score_is_that_of_the_likelihood_on_a_grid(pairs, delta):
    pairs = Discordant(*pairs)
    assert rate_difference.score(pairs, delta) == pytest.approx(
        restricted_likelihood(pairs, delta), abs=2e-3
    )


def test_score_interval_of_the_airway_example():
    # M. Fagerland, S. Lydersen, P. Laake, Stat. Med. 33 (2014) 2850: 1, 1, 7, 12 of 21 children;
    # Tango's interval -0.517 to -0.026 (from memory).
    low, high = rate_difference.interval(Discordant(21, 1, 7))
    assert (low, high) == pytest.approx((-0.517, -0.026), abs=1e-3)


@given(st.integers(1, 60), st.integers(0, 60))
def test_score_of_no_difference_is_mcnemars(more, fewer):
    pairs = Discordant(200, more, fewer)
    chi = stats.chi2.isf(mcnemar(more, fewer, "asymptotic"), 1)
    assert rate_difference.score(pairs, 0.0) ** 2 == pytest.approx(chi, abs=1e-6)


def test_nothing_that_differs_leaves_a_width():
    z = stats.norm.isf(0.025)
    low, high = rate_difference.interval(Discordant(100, 0, 0))
    assert (low, high) == pytest.approx((-(z**2) / (100 + z**2), z**2 / (100 + z**2)))
    assert math.isnan(rate_difference.interval(Discordant(0, 0, 0)).low)


@given(st.integers(1, 3000), st.data())
@settings(deadline=None)
def test_equivalence_of_rates_is_an_interval_inside_the_margin(n, data):
    more = data.draw(st.integers(0, n))
    fewer = data.draw(st.integers(0, n - more))
    margin = data.draw(st.floats(0.001, 0.5))
    pairs = Discordant(n, more, fewer)
    low, high = rate_difference.interval(pairs, 0.90)
    if min(abs(low + margin), abs(high - margin)) < 1e-7:
        return
    inside = -margin < low and high < margin
    assert (rate_difference.equivalence(pairs, margin) < 0.05) == inside


def test_a_margin_of_nothing_is_never_shown():
    assert rate_difference.equivalence(Discordant(10_000, 0, 0), 0.0) == 1


@pytest.mark.slow
@pytest.mark.parametrize(("more", "fewer"), [(0.03, 0.01), (0.004, 0.004), (0.2, 0.15)])
def test_score_interval_covers(more, fewer):
    rng, truth, repeats = np.random.default_rng(5), more - fewer, 2000
    counts = rng.multinomial(400, [more, fewer, 1 - more - fewer], repeats)
    intervals = [rate_difference.interval(Discordant(400, b, c)) for b, c, _ in counts]
    covered = sum(low <= truth <= high for low, high in intervals)
    assert covered >= stats.binom.ppf(0.001, repeats, 0.94)


# -- mean, median, spread -------------------------------------------------------------------------

#: Student's sleep data, the difference of the two drugs: t = -4.0621, 9 degrees, p = 0.002833.
SLEEP = np.array([-1.2, -2.4, -1.3, -1.3, 0.0, -1.0, -1.8, -0.8, -4.6, -1.4])


def test_paired_t_of_students_sleep_data():
    found = mean_shift.mean_of(SLEEP)
    assert found.value / found.error == pytest.approx(-4.0621, abs=1e-4)
    assert mean_shift.t_test(found) == pytest.approx(0.002833, abs=1e-6)
    assert mean_shift.t_test(found) == pytest.approx(stats.ttest_1samp(SLEEP, 0).pvalue)


DIFFERENCES = st.lists(st.floats(-5, 5).map(lambda x: round(x, 3)), min_size=3, max_size=40)


@given(DIFFERENCES, st.floats(0.05, 3))
@settings(deadline=None)
def test_two_one_sided_t_tests_are_those_of_statsmodels(values, margin):
    values = np.array(values)
    if np.ptp(values) < 1e-6:
        return
    found = mean_shift.mean_of(values)
    reference = ttost_paired(values, np.zeros_like(values), -margin, margin)[0]
    assert mean_shift.equivalence(found, -margin, margin) == pytest.approx(reference, abs=1e-9)


@given(DIFFERENCES, st.floats(0.05, 3))
@settings(deadline=None)
def test_equivalence_of_means_is_an_interval_inside_the_margin(values, margin):
    found = mean_shift.mean_of(np.array(values))
    low, high = mean_shift.t_interval(found, 0.90)
    if min(abs(low + margin), abs(high - margin)) < 1e-9:
        return
    inside = -margin < low and high < margin
    assert (mean_shift.equivalence(found, -margin, margin) < 0.05) == inside


def test_no_variance_is_no_doubt():
    same, moved = mean_shift.mean_of(np.zeros(50)), mean_shift.mean_of(np.full(50, 0.3))
    assert mean_shift.t_test(same) == 1
    assert mean_shift.t_test(moved) == 0
    assert mean_shift.equivalence(same, -0.1, 0.1) == 0
    assert mean_shift.equivalence(moved, -0.1, 0.1) == 1
    assert mean_shift.equivalence(moved, -0.5, 0.5) == 0


def test_too_few_say_nothing():
    for few in (np.empty(0), np.array([1.0])):
        found = mean_shift.mean_of(few)
        assert mean_shift.t_test(found) == 1
        assert mean_shift.equivalence(found, -9, 9) == 1


def test_specimens_count_once_each():
    rng = np.random.default_rng(2)
    specimen = rng.normal(size=12)
    copies = mean_shift.mean_of(5 * specimen, np.full(12, 5.0))
    alone = mean_shift.mean_of(specimen)
    assert copies == pytest.approx(alone)


@given(DIFFERENCES)
@settings(deadline=None, max_examples=15)
def test_signed_rank_is_scipys(values):
    values = np.array(values)
    moved = values[values != 0]
    expected = stats.wilcoxon(moved).pvalue if moved.size else 1.0
    assert signed_rank.signed_rank(values) == pytest.approx(expected)


@given(st.lists(st.floats(-5, 5), min_size=1, max_size=30))
def test_shift_is_the_median_of_all_walsh_averages(values):
    values = np.array(values)
    i, j = np.triu_indices(values.size)
    assert signed_rank.shift(values) == pytest.approx(
        np.median((values[i] + values[j]) / 2), abs=1e-12
    )


@given(st.lists(st.floats(-5, 5), min_size=12, max_size=60, unique=True))
@settings(deadline=None, max_examples=8)
def test_shift_interval_holds_what_the_test_does_not_reject(values):
    values = np.array(values)
    low, high = signed_rank.shift_interval(values)
    width = max(high - low, 1e-6)
    for shift in (low - 0.4 * width, high + 0.4 * width):
        assert signed_rank.signed_rank(values - shift) < 0.12
    middle = (low + high) / 2
    assert signed_rank.signed_rank(values - middle) > 0.04


def test_equivalence_by_ranks_needs_the_shift_inside_the_margin():
    rng = np.random.default_rng(0)
    values = rng.normal(0.1, 0.5, 300)
    assert signed_rank.equivalence(values, 0.5) < 1e-6
    assert signed_rank.equivalence(values, 0.05) > 0.5
    assert signed_rank.equivalence(np.zeros(40), 0.1) < 1e-6
    assert signed_rank.equivalence(np.zeros(40), 0.0) == 1


def test_ratio_of_spreads_and_its_error():
    rng, ratios, errors = np.random.default_rng(3), [], []
    for _ in range(400):
        before, after = rng.standard_t(6, 300), 1.2 * rng.standard_t(6, 300)
        found = spread_ratio.log_ratio(before, after)
        assert found.value == pytest.approx(math.log(np.std(after) / np.std(before)))
        ratios.append(found.value)
        errors.append(found.error)
    assert np.mean(ratios) == pytest.approx(math.log(1.2), abs=0.01)
    assert np.mean(errors) == pytest.approx(np.std(ratios), rel=0.12)


def test_one_spread_is_no_change_whatever_the_shift():
    errors = np.random.default_rng(1).normal(size=50)
    assert spread_ratio.log_ratio(errors, errors + 3).value == pytest.approx(0)
    assert not np.any(np.round(spread_ratio.deviations(errors, errors + 3), 9))


# -- bootstrap ------------------------------------------------------------------------------------

#: B. Efron, R. Tibshirani, An Introduction to the Bootstrap (1993): LSAT and GPA of 15 schools.
LSAT = [576, 635, 558, 578, 666, 580, 555, 661, 651, 605, 653, 575, 545, 572, 594]
GPA = [3.39, 3.30, 2.81, 3.03, 3.44, 3.07, 3.00, 3.43, 3.36, 3.13, 3.12, 2.74, 2.76, 2.88, 2.96]


def correlation(sums):
    n, x, y, xx, yy, xy = np.moveaxis(np.asarray(sums), -1, 0)
    return (xy / n - x * y / n**2) / np.sqrt((xx / n - (x / n) ** 2) * (yy / n - (y / n) ** 2))


def test_bootstrap_of_the_law_schools():
    x, y = (np.array(v) - np.mean(v) for v in (LSAT, GPA))
    columns = np.column_stack([np.ones(15), x, y, x * x, y * y, x * y])
    assert correlation(columns.sum(0)) == pytest.approx(0.7764, abs=1e-4)
    low, high = bootstrap(columns, correlation)
    assert (low, high) == pytest.approx((0.325, 0.943), abs=0.05)  # 1999 draws of a wide law
    reference = stats.bootstrap(
        (x, y), lambda a, b: np.corrcoef(a, b)[0, 1], paired=True, vectorized=False,
        n_resamples=1999, method="BCa", rng=np.random.default_rng(4),
    ).confidence_interval  # fmt: skip
    assert (low, high) == pytest.approx(tuple(reference), abs=0.07)


def test_bootstrap_of_what_never_varies():
    columns = np.column_stack([np.full(9, 2.5), np.ones(9)])
    assert tuple(bootstrap(columns, lambda s: s[..., 0] / s[..., 1])) == (2.5, 2.5)
    assert math.isnan(bootstrap(columns[:1], lambda s: s[..., 0]).low)


@pytest.mark.slow
@pytest.mark.parametrize("what", ["bias", "spread"])
def test_bootstrap_covers(what):
    rng, repeats, covered = np.random.default_rng(6), 300, 0
    for _ in range(repeats):
        before = rng.standard_t(6, 150)
        after = 0.6 * before + 1.1 * rng.standard_t(6, 150) + 0.4
        if what == "bias":
            columns = np.column_stack([after - before, np.ones(150)])
            low, high = bootstrap(columns, lambda s: s[..., 0] / s[..., 1])
            covered += low <= 0.4 <= high
        else:
            low, high = bootstrap(spread_ratio.moments(before, after), spread_ratio.ratio)
            covered += low <= math.hypot(0.6, 1.1) <= high
    assert covered >= stats.binom.ppf(0.001, repeats, 0.93)


# -- Holm -----------------------------------------------------------------------------------------


@given(st.lists(st.floats(1e-8, 1), min_size=1, max_size=30))
@settings(deadline=None, max_examples=25)
def test_holm_is_that_of_statsmodels(values):
    found = holm(values, [99] * len(values), 0.05)
    assert found == pytest.approx(multipletests(values, method="holm")[1])


def test_holm_of_no_question():
    assert holm([], [], 0.05).size == 0


def test_questions_that_could_not_be_answered_cost_nothing():
    found = holm([0.01, 1.0, 0.5, 0.03], [40, 0, 2, 6], 0.05)
    assert found == pytest.approx([0.02, 1, 1, 0.03])
