"""The map of confidence, reliability, risk and coverage, thresholds."""

import numpy as np
import pytest
from echotrial.scores.confidence import (
    ConfidenceMap,
    area_under_risk,
    brier,
    calibration_error,
    fit_map,
    reliability,
    risk_coverage,
    threshold_for,
)
from echotrial.scores.sampling import Sampling
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.calibration import calibration_curve
from sklearn.isotonic import IsotonicRegression
from sklearn.metrics import brier_score_loss

FREE = Sampling()


def planted(n: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Raw confidence c is hit with probability c squared: overconfident by a known law."""
    rng = np.random.default_rng(seed)
    raw = rng.random(n)
    return raw, rng.random(n) < raw**2


@pytest.mark.parametrize("digits", [2, 17])
def test_map_is_the_isotonic_regression_of_scikit_learn(digits: int) -> None:
    """Knots included, with readings that share a confidence and without."""
    raw, hit = planted(500, 1)
    raw = np.round(raw, digits)
    made = fit_map(raw, hit)
    assert made is not None
    expected = IsotonicRegression(y_min=0, y_max=1, out_of_bounds="clip").fit(raw, hit)
    assert made.raw == pytest.approx(expected.X_thresholds_, abs=0)
    assert made.p_hit == pytest.approx(expected.y_thresholds_, abs=1e-12)
    at = np.linspace(-0.1, 1.1, 997)
    assert made(at) == pytest.approx(expected.predict(at), abs=1e-12)


def test_map_learns_a_planted_law() -> None:
    made = fit_map(*planted(20000, 2))
    assert made is not None
    at = np.array([0.1, 0.3, 0.5, 0.7, 0.9])
    assert made(at) == pytest.approx(at**2, abs=0.05)
    raw, hit = planted(20000, 3)
    assert calibration_error(reliability(raw, hit)) > 0.1
    assert calibration_error(reliability(made(raw), hit)) < 0.03


@settings(deadline=None)
@given(st.lists(st.floats(0, 1), min_size=2, max_size=40))
def test_map_never_turns_the_order_round(raw: list[float]) -> None:
    made = fit_map(*planted(200, 4))
    assert made is not None
    mapped = made(np.sort(raw))
    assert (np.diff(mapped) >= 0).all()
    assert ((mapped >= 0) & (mapped <= 1)).all()


def test_map_survives_as_plain_data_and_keeps_nan() -> None:
    made = fit_map(*planted(200, 5))
    assert made is not None
    assert ConfidenceMap.from_data(made.as_data()) == made
    assert np.isnan(made([np.nan, 0.5])).tolist() == [True, False]


@pytest.mark.parametrize(
    ("raw", "hit"),
    [
        (np.full(100, np.nan), np.ones(100, dtype=bool)),
        (np.full(100, 0.7), np.arange(100) % 2 == 0),
        (np.linspace(0, 1, 49), np.ones(49, dtype=bool)),
        (np.empty(0), np.empty(0, dtype=bool)),
    ],
)
def test_no_map(raw: np.ndarray, hit: np.ndarray) -> None:
    assert fit_map(raw, hit) is None


def test_reliability_against_scikit_learn() -> None:
    p, hit = planted(1000, 6)
    observed, stated = calibration_curve(hit, p, n_bins=10, strategy="quantile")
    found = reliability(p, hit)
    assert found["stated"].to_numpy() == pytest.approx(stated)
    assert found["observed"].to_numpy() == pytest.approx(observed)
    assert found["readings"].sum() == 1000
    assert ((found["low"] <= found["observed"]) & (found["observed"] <= found["high"])).all()


def test_brier_against_scikit_learn() -> None:
    p, hit = planted(300, 7)
    assert brier(p, hit) == pytest.approx(brier_score_loss(hit, p))


def test_nan_confidences_are_left_out() -> None:
    p, hit = np.array([np.nan, 0.2, 0.8]), np.array([True, False, True])
    assert reliability(p, hit)["readings"].sum() == 2
    assert brier(p, hit) == pytest.approx(0.04)
    none = np.full(3, np.nan)
    assert reliability(none, hit).empty
    assert risk_coverage(none, hit, 3).empty
    values = brier(none, hit), calibration_error(reliability(none, hit))
    assert np.isnan([*values, area_under_risk(risk_coverage(none, hit, 3))]).all()


def test_risk_coverage_by_hand() -> None:
    """10 walls, 5 readings: the two surest right, then a lie, then right and a lie that tie."""
    confidence = np.array([0.9, 0.8, 0.7, 0.5, 0.5])
    lock = np.array([False, False, True, False, True])
    found = risk_coverage(confidence, lock, 10)
    assert found["threshold"].tolist() == [0.9, 0.8, 0.7, 0.5]
    assert found["coverage"].tolist() == pytest.approx([0.1, 0.2, 0.3, 0.5])
    assert found["risk"].tolist() == pytest.approx([0, 0, 1 / 3, 2 / 5])
    assert area_under_risk(found) == pytest.approx((0.1 / 3 + 0.2 * 0.4) / 0.5)


def test_threshold_buys_the_bound() -> None:
    """1000 walls: readings of P 0.9 never lie, of P 0.5 lie every tenth time. 900 + 100 readings.

    0 of 1000 is at most 0.299 %, 10 of 1000 at most 1.69 % (exact, scipy.stats)."""
    p = np.r_[np.full(900, 0.9), np.full(100, 0.5)]
    lock = np.r_[np.zeros(900, dtype=bool), np.arange(100) % 10 == 0]
    found = threshold_for(p, lock, ~lock, FREE, allowed=0.01)
    assert (found.p_hit, found.kept, found.hit_rate) == (0.9, 900, 0.9)
    assert found.false_lock_bound == pytest.approx(0.002991, abs=1e-6)
    loose = threshold_for(p, lock, ~lock, FREE, allowed=0.02)
    assert (loose.p_hit, loose.kept) == (0.5, 1000)
    assert loose.false_lock_bound == pytest.approx(0.01691, abs=1e-5)


@pytest.mark.parametrize("p", [np.full(50, np.nan), np.full(50, 0.9), np.empty(0)])
def test_no_threshold(p: np.ndarray) -> None:
    """50 walls can guarantee no 1 %, whatever they show."""
    found = threshold_for(p, np.zeros(p.size, bool), np.ones(p.size, bool), FREE, allowed=0.01)
    assert np.isnan(found.p_hit)
    assert found.note == "no estimate: no threshold keeps the bound"
