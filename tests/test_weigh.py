"""Walls weighed against each other: the reading likeliest to be within tolerance, and how likely.

Slow twins: dense sums over the same interpolation by scipy, and a fit from scratch on every rung.
"""

import numpy as np
import pytest
from echotrial.ascan import Batch, Reason
from echotrial_detectors.fit.fits import ENOUGH, WALL_FLOOR, Fits, held_wall, make
from echotrial_detectors.fit.newton import WALL
from echotrial_detectors.fit.search import search
from echotrial_detectors.fit.spectra import spectra
from echotrial_detectors.fit.stack import stack_of
from echotrial_detectors.fit.verdict import Fits as Judged
from echotrial_detectors.fit.verdict import Limits, judge
from echotrial_detectors.fit.weigh import (
    AT_THE_EDGE,
    FOLLOWED,
    LEAST,
    OUTSIDE,
    PER_TOLERANCE,
    RUNGS,
    ladder,
    weigh,
    within_reach,
)
from echotrial_detectors.model_fit import ModelFitSettings, _expected, _place, _plan
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicHermiteSpline

from tests.test_model_fit import POLYMER
from tests.timedomain.exam import make_exam

MIDDLE, WIDTH, EXPECTED = 1.0, 0.08, (0.9, 9.0)
RUNG = MIDDLE + WIDTH / PER_TOLERANCE * np.arange(-RUNGS, RUNGS + 1)


def two_humps(first: float, second: float, deviation: float, behind: float) -> np.ndarray:
    """Minus twice the log of two normal posteriors, the second one so much less likely."""
    near = np.exp(-0.5 * ((RUNG - first) / deviation) ** 2)
    far = np.exp(-0.5 * ((RUNG - second) / deviation) ** 2 - 0.5 * behind)
    return np.asarray(-2 * np.log(near + far + 1e-12))


@settings(deadline=None, max_examples=30)
@given(
    st.floats(0.8, 1.2), st.floats(0.8, 1.2), st.floats(0.02, 0.1), st.floats(-3.0, 6.0),
)  # fmt: skip
def test_the_reading_has_most_of_the_posterior_within_tolerance(first, second, deviation, behind):
    values = two_humps(first, second, deviation, behind)
    reading, share = (
        float(x[0]) for x in weigh(values[None], np.array([MIDDLE]), np.array([WIDTH]), EXPECTED)
    )
    capped = np.minimum(values - values.min(), LEAST)
    slopes = np.gradient(capped, RUNG)
    at = np.linspace(RUNG[0], RUNG[-1], 20 * 14 * 20 + 1)
    density = np.exp(-0.5 * CubicHermiteSpline(RUNG, capped, slopes)(at))
    density[at < EXPECTED[0]] *= OUTSIDE
    density /= density.sum()

    def worth(wall: float) -> float:
        error = (at - wall) / WIDTH
        return float(density[np.abs(error) <= 1] @ (1 - AT_THE_EDGE * error**2)[np.abs(error) <= 1])

    most = max(worth(wall) for wall in at[::20])
    assert worth(reading) == pytest.approx(most, abs=0.02)
    assert share == pytest.approx(density[np.abs(at - reading) <= WIDTH].sum(), abs=0.04)


def test_where_all_is_within_tolerance_the_reading_is_the_mean():
    values = two_humps(1.01, 1.01, 0.02, 0.0)
    reading, share = weigh(values[None], np.array([MIDDLE]), np.array([WIDTH]), EXPECTED)
    assert reading[0] == pytest.approx(1.01, abs=0.1 * WIDTH)
    assert share[0] > 0.999


def test_a_wall_outside_the_range_needs_more_to_speak_for_it():
    values = two_humps(0.75, 1.15, 0.02, 0.0)
    for low, wall in ((0.1, None), (0.95, 1.15)):
        reading, share = weigh(values[None], np.array([MIDDLE]), np.array([WIDTH]), (low, 9.0))
        if wall is None:
            assert share[0] == pytest.approx(0.5, abs=0.02)
        else:
            assert reading[0] == pytest.approx(wall, abs=0.1 * WIDTH)
            assert share[0] == pytest.approx(1 / (1 + OUTSIDE), abs=0.02)


def test_walls_are_within_reach_from_one_tolerance_to_the_last_rung():
    walls = MIDDLE + WIDTH * np.array([-7.1, -6.9, -0.9, 0.0, 1.1, 6.9, 7.1])
    found = within_reach(walls, np.array(MIDDLE), np.array(WIDTH))
    assert found.tolist() == [False, True, False, False, True, True, False]


def test_a_rung_is_a_fit_with_its_wall_held():
    """Twin: from the best fit straight to the rung, with many more steps."""
    batch, truth = make_exam("nylon-matched", 40, 3)
    known = batch.setup.model_copy(update={"tolerance": POLYMER})
    thin = np.flatnonzero((truth.kind == "wall") & (truth.thickness_mm < 0.25))[:6]
    batch = Batch.of(batch.samples[thin], batch.rate_hz, batch.start_s[thin], known)
    plan = _plan(known, ModelFitSettings(), stack_of(known), batch.rate_hz)
    how, (first, anchor) = plan.how, _place(batch, plan)
    y = spectra(batch, first, anchor, plan.gate)
    y /= np.linalg.norm(y, axis=1, keepdims=True)
    arrival, tolerance = _expected(batch.start_s + anchor / batch.rate_hz, plan)
    n = len(batch)
    found = search(y, np.ones(n, bool), arrival, tolerance, how, 4, np.ones(n))
    laid = how.every.records(y)
    best = Fits.of(np.arange(n), found.theta[np.arange(n), found.best])
    make(best, laid, how.every, arrival, how, how.rounds, ENOUGH)
    width = np.full(n, 0.03)
    values = ladder(best, found.theta[:, :-1], found.value[:, :-1], width, laid, arrival, how)
    assert values.shape == (n, 2 * RUNGS + 1)
    np.testing.assert_array_equal(values[:, RUNGS], best.result[:, 0])
    behind = []
    for rung in (RUNGS - 2, RUNGS - 1, RUNGS + 1, RUNGS + 2):
        held = Fits.of(best.record, best.theta)
        held.theta[:, WALL] += width / PER_TOLERANCE * (rung - RUNGS)
        make(held, laid, how.every, arrival, how, 60, 1e-6, held_wall(how))
        behind.append(values[:, rung] - held.result[:, 0])
    off = np.abs(behind)[np.isfinite(behind)]
    assert off.size > 0.7 * np.size(behind)
    # A valley is narrow and winds: a few fits stop on its side.
    assert (off < 0.3).mean() > 0.8
    assert np.median(off) < 0.1
    # As far as it is followed it goes on, and no further.
    known_rungs, least = np.isfinite(values), values.min(axis=1, keepdims=True)
    leading = known_rungs & (values < least + FOLLOWED)
    beside = np.zeros_like(leading)
    beside[:, 1:] |= leading[:, :-1]
    beside[:, :-1] |= leading[:, 1:]
    wall = best.theta[:, WALL, None] + width[:, None] / PER_TOLERANCE * np.arange(-RUNGS, RUNGS + 1)
    assert known_rungs[beside & (wall > WALL_FLOOR)].all()


def judged(values: tuple[float, ...], walls_um: tuple[float, ...], lean_um: float, reach_um: float):
    """Reason for a polymer wall of 40 um to 1 mm, tolerance 10 um; the last fit is a film."""
    one = np.ones(1)
    fits = Judged(
        np.array([values]), 1e-6 * np.array([walls_um]), np.full((1, len(values)), 1e-3),
        np.zeros(1, np.int64), 1e-6 * one, 9.0 * one, np.inf * one, 1e-3 * one, 0.0 * one, one < 0,
        1e-6 * lean_um * one, 1e-6 * reach_um * one,
    )  # fmt: skip
    limits = Limits(12, 3, 3, 3, 4, 0.3, 3, False, 1e-3, 3, 0.02)
    return judge(fits, limits, 10e-6 * one, (40e-6, 1e-3))[0][0]


@pytest.mark.parametrize(
    ("reach_um", "film", "reason"),
    [(0.0, 100.0, Reason.AMBIGUOUS), (60.0, 100.0, Reason.READ), (30.0, 100.0, Reason.AMBIGUOUS),
     (60.0, 15.0, Reason.READ)],
)  # fmt: skip
def test_a_wall_that_was_weighed_is_no_rival_any_more(reach_um, film, reason):
    values = (-300.0, -299.0, film - 300.0)
    assert judged(values, (60.0, 110.0, 0.0), 0.0, reach_um) == reason


@pytest.mark.parametrize(("film", "reason"), [(100.0, Reason.READ), (15.0, Reason.AMBIGUOUS)])
def test_beside_a_film_a_wall_far_too_thin_is_a_rival_all_the_same(film, reason):
    assert judged((-300.0, -297.0, film - 300.0), (80.0, 20.0, 0.0), 0.0, 70.0) == reason


@pytest.mark.parametrize(
    ("lean_um", "film", "reason"),
    [(9.0, 15.0, Reason.READ), (11.0, 15.0, Reason.NO_ECHO), (11.0, 30.0, Reason.READ)],
)
def test_a_reading_that_is_not_the_likeliest_wall_is_to_be_no_film(lean_um, film, reason):
    assert judged((-300.0, film - 300.0), (45.0, 0.0), lean_um, 70.0) == reason
