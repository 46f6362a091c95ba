"""Rates and their intervals against published tables and other packages."""

import numpy as np
import pandas as pd
import pytest
from echotrial.scores.intervals import clopper_pearson, lower_bound, upper_bound, wilson
from echotrial.scores.rates import at_least, at_most, rate
from echotrial.scores.sampling import Sampling
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

# R. Newcombe, Statistics in Medicine 17 (1998) 857-872: k, n, Clopper-Pearson, Wilson; 95 %.
NEWCOMBE = [
    (81, 263, (0.2527, 0.3676), (0.2553, 0.3662)),
    (15, 148, (0.0578, 0.1617), (0.0624, 0.1605)),
    (0, 20, (0.0, 0.1684), (0.0, 0.1611)),
    (1, 29, (0.0009, 0.1776), (0.0061, 0.1718)),
]


@pytest.mark.parametrize(("k", "n", "exact", "score"), NEWCOMBE)
def test_intervals_of_newcombe(k: int, n: int, exact: tuple, score: tuple) -> None:
    assert clopper_pearson(k, n) == pytest.approx(exact, abs=5e-5)
    assert wilson(k, n) == pytest.approx(score, abs=5e-5)


@pytest.mark.parametrize(
    ("k", "n", "bound"), [(29, 29, 0.90186), (45, 46, 0.90098), (59, 61, 0.90037), (28, 28, 0.8985)]
)
def test_90_95_demonstration(k: int, n: int, bound: float) -> None:
    """29 of 29, 45 of 46, 59 of 61 demonstrate 90/95 (MIL-HDBK-1823A; from memory)."""
    assert float(lower_bound(k, n, 0.05)) == pytest.approx(bound, abs=5e-5)


@pytest.mark.parametrize("n", [1, 7, 300])
@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 1.0])
def test_bounds_against_scipy_and_statsmodels(n: int, share: float) -> None:
    k = round(share * n)
    greater = stats.binomtest(k, n, alternative="greater").proportion_ci(0.99, "exact").low
    less = stats.binomtest(k, n, alternative="less").proportion_ci(0.99, "exact").high
    assert float(lower_bound(k, n, 0.01)) == pytest.approx(greater, abs=1e-12)
    assert float(upper_bound(k, n, 0.01)) == pytest.approx(less, abs=1e-12)
    assert wilson(k, n, 0.9) == pytest.approx(proportion_confint(k, n, 0.1, "wilson"), abs=1e-12)


def test_nothing_is_known_of_no_records() -> None:
    none = np.zeros(5, dtype=bool)
    empty = rate(~none, none, Sampling())
    assert (empty.numerator, empty.denominator, empty.note) == (0, 0, "no records")
    assert np.isnan([empty.value, *empty.interval]).all()
    assert np.isnan([at_least(none, none, Sampling()), at_most(none, none, Sampling())]).all()


def test_a_rate_keeps_its_counts() -> None:
    events = np.arange(148) < 15
    found = rate(events, np.ones(148, dtype=bool), Sampling())
    assert (found.numerator, found.denominator) == (15, 148)
    assert found.value == pytest.approx(15 / 148)
    assert found.interval == pytest.approx((0.0624, 0.1605), abs=5e-5)


def clustered(hits_of_specimens: list[list[int]]) -> tuple[np.ndarray, Sampling]:
    events = np.concatenate([np.asarray(h, dtype=bool) for h in hits_of_specimens])
    codes = np.repeat(np.arange(len(hits_of_specimens)), [len(h) for h in hits_of_specimens])
    return events, Sampling(codes)


def test_one_specimen_has_a_rate_but_no_interval() -> None:
    events, sampling = clustered([[1] * 60 + [0] * 4])
    everyone = np.ones(64, dtype=bool)
    found = rate(events, everyone, sampling)
    assert (found.value, found.note) == (60 / 64, "one specimen: no interval")
    assert np.isnan([*found.interval, at_most(events, everyone, sampling)]).all()


def test_copies_of_a_trace_are_worth_one() -> None:
    """20 specimens, each hit on all of its 10 traces or on none: as good as 20 records."""
    events, sampling = clustered([[i % 2] * 10 for i in range(20)])
    everyone = np.ones(200, dtype=bool)
    wide, narrow = (rate(events, everyone, s).interval for s in (sampling, Sampling()))
    assert narrow == pytest.approx(wilson(100, 200))
    assert wide.high - wide.low >= wilson(10, 20).high - wilson(10, 20).low
    assert wide.high - wide.low > 2.5 * (narrow.high - narrow.low)


def test_hits_on_every_trace_count_once_a_specimen() -> None:
    events, sampling = clustered([[1] * 10] * 29)
    everyone = np.ones(290, dtype=bool)
    assert at_least(events, everyone, sampling) == pytest.approx(0.90186, abs=5e-5)


def test_records_of_no_named_specimen_are_taken_for_one() -> None:
    table = pd.DataFrame({"specimen": ["a", None, None, "b"]})
    found = Sampling.of(table, "recorded").specimen
    assert found is not None
    assert found.tolist() == [0, 1, 1, 2]
    assert Sampling.of(table, "synthetic").specimen is None


def test_one_record_a_specimen_is_independent() -> None:
    events, sampling = clustered([[i < 15] for i in range(148)])
    found = rate(events, np.ones(148, dtype=bool), sampling)
    assert found.interval == pytest.approx((0.0624, 0.1605), abs=5e-5)


def test_specimens_that_differ_no_more_than_chance_lose_little() -> None:
    rng = np.random.default_rng(3)
    events, sampling = clustered(list((rng.random((60, 20)) < 0.8).astype(int)))
    everyone = np.ones(1200, dtype=bool)
    worth = sampling.evidence(events, everyone).n
    assert 700 < worth <= 1200


def test_effective_size_against_the_linearised_variance_of_a_ratio() -> None:
    """n* = p (1 - p) / var(p), var from the specimens' totals (Cochran, Sampling Techniques,
    3rd ed., section 2.13 on ratios; from memory), written out here with numpy alone."""
    sizes, hits = np.array([4, 6, 10, 5, 5]), np.array([4, 3, 9, 1, 4])
    events, sampling = clustered(
        [[1] * h + [0] * (n - h) for n, h in zip(sizes, hits, strict=True)]
    )
    p = 21 / 30
    variance = 5 * np.var(hits - p * sizes, ddof=1) / 30**2
    shrink = (stats.t.ppf(0.95, 29) / stats.t.ppf(0.95, 4)) ** 2
    expected = min(30, p * (1 - p) / variance) * shrink
    found = sampling.evidence(events, np.ones(30, dtype=bool))
    assert (found.n, found.k) == pytest.approx((expected, p * expected))
    assert found.note == "clustered by 5 specimens"
