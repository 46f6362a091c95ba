"""The equally spaced series among candidates: planted ones, and the line against numpy's."""

from dataclasses import fields

import numpy as np
import pytest
from echotrial_detectors import multiples
from echotrial_detectors.multiples import Law, Series, best_series
from hypothesis import given, settings
from hypothesis import strategies as st

LAW = Law(
    spacing_min=20.0, spacing_max=120.0, slack=2.0, origin_slack=4.0, origin_share=0.0,
    from_origin=False, ratio=0.0, sign=1, alternation=1, most=16,
)  # fmt: skip


def series_in(
    places,
    heights,
    *,
    law: Law = LAW,
    origin: float = 0.0,
    level: float = 0.05,
    counted: float = 0.0,
) -> Series:
    order = np.argsort(places)
    place, height = np.asarray(places, float)[order], np.asarray(heights, float)[order]
    found = np.empty(len(fields(Series)))
    best_series(place, height, place.size, origin, counted, 500.0, level, law, np.empty(9), found)
    return Series(*found[:, None])


@settings(deadline=None)  # a first call compiles
@given(
    spacing=st.floats(32, 110), ratio=st.floats(0.6, 0.95), first=st.integers(1, 2),
    jitter=st.lists(st.floats(-0.5, 0.5), min_size=20, max_size=20),
)  # fmt: skip
def test_spacing_is_numpys_weighted_line(spacing, ratio, first, jitter):
    k = np.arange(first, int(480 / spacing) + 1)
    heights = 0.9 * ratio ** (k - first)
    k, heights = k[heights > 0.05], heights[heights > 0.05]
    places = k * spacing + np.array(jitter)[: k.size]
    if k.size < 2:
        return
    found = series_in(places, heights, counted=(first - 0.5) * spacing)
    line = np.polyfit(k, places, 1, w=heights)
    assert found.spacing[0] == pytest.approx(line[0], abs=1e-6)
    assert found.first_order[0] == k[0]
    assert found.last_order[0] - found.first_order[0] == k.size - 1
    assert found.first[0] == pytest.approx(np.polyval(line, k[0]), abs=1e-6)


def test_every_second_echo_is_not_taken_for_the_spacing():
    k = np.arange(1, 9)
    assert series_in(50.0 * k, 0.9**k).spacing[0] == pytest.approx(50)


def test_a_missing_echo_is_not_taken_for_half_the_spacing():
    found = series_in([100, 200, 300, 400], [0.9, 0.8, 0.7, 0.6])
    assert found.spacing[0] == pytest.approx(100)
    assert found.share[0] == pytest.approx(1)


def test_a_foreign_echo_lowers_the_share_by_its_energy():
    found = series_in([100, 200, 300, 400, 250], [0.8, 0.7, 0.6, 0.5, 0.4])
    energy = 0.8**2 + 0.7**2 + 0.6**2 + 0.5**2
    assert found.spacing[0] == pytest.approx(100)
    assert found.share[0] == pytest.approx(energy / (energy + 0.4**2))


def test_two_echoes_that_no_multiple_follows_are_no_series_of_a_reflecting_wall():
    assert series_in([40, 80], [0.5, 0.9]).share[0] <= 0


def test_signs_must_follow_the_law():
    k = np.arange(1, 6)
    alternating = LAW._replace(alternation=-1)
    places, heights = 60.0 * k, 0.8**k * (-1.0) ** (k + 1)
    assert series_in(places, heights, law=alternating, level=0.2).share[0] == pytest.approx(1)
    assert series_in(places, -heights, law=alternating, level=0.2).share[0] < 0.3
    assert series_in(places, heights, level=0.2).share[0] < 0.9


def test_from_the_origin_the_first_echo_gives_the_spacing():
    law = LAW._replace(from_origin=True, ratio=0.1)
    found = series_in([90.0], [0.7], law=law, origin=20.0)
    assert found.spacing[0] == 70.0
    assert found.first[0] == 90.0


def test_no_more_echoes_than_asked_for_enter_the_line():
    k = np.arange(1, 9)
    assert series_in(50.0 * k, 0.9**k, law=LAW._replace(most=2)).last_order[0] == 2


def test_another_spacing_is_the_rival():
    found = series_in([60, 120, 180, 240, 100, 200, 300], [0.5] * 4 + [0.49] * 3)
    assert found.rival[0] > 0
    assert found.rival[0] < found.share[0]


def test_nothing_is_found_in_nothing():
    found = series_in([], [])
    assert found.share[0] == 0
    assert np.isnan(found.spacing[0])


def test_echoes_half_way_between_are_told():
    """Every second echo of a wall too thin to be looked for: half the rest lies between."""
    k = np.arange(1, 9)
    wide = LAW._replace(spacing_min=70.0)
    assert series_in(50.0 * k, 0.9**k, law=wide).between[0] == pytest.approx(
        np.sum(0.81 ** k[::2]) / np.sum(0.81**k), rel=1e-6
    )
    assert series_in(50.0 * k, 0.9**k).between[0] == 0


def whole_search(place, height, origin, level, law, counted):
    """Every pair of a first echo and a next one, walked along: none is left out as hopeless."""
    best, trial, n = np.full(len(fields(Series)), np.nan), np.empty(9), place.size
    best[[0, 7, 8, 9]] = 0
    counts, size = place >= counted, np.abs(height)
    energy = float(np.sum(height[counts] ** 2))
    if energy == 0:
        return best
    likely = np.flatnonzero(size >= multiples.FIRST_SHARE * size.max())
    for i in likely[: multiples.FIRSTS]:
        following = [j for j in range(i + 1, n) if size[j] >= multiples.NEXT_SHARE * size.max()]
        for j in following[: multiples.NEXTS]:
            spacing, after = place[j] - place[i], place[i] - origin
            order = int(np.rint(after / spacing)) if spacing > 0 else 0
            if not law.spacing_min <= spacing <= law.spacing_max or order < 1:
                continue
            if abs(after - order * spacing) > max(law.origin_share * spacing, law.origin_slack):
                continue
            if multiples._is_on(best, place[i], spacing, law.slack):
                continue
            explained = multiples._follow(
                place, height, n, i, order, spacing, min(size[j] / size[i], 1.0), counted, 500.0,
                level, law, trial,
            )  # fmt: skip
            own = height[i] ** 2 if counts[i] else 0.0
            trial[0], trial[7] = explained / energy, max(explained - own, 0) / energy
            multiples._keep_if_best(trial, best)
    if best[0] > 0:
        best[9] = multiples._between(place, height, n, counted, best, law) / energy
    return best


@settings(deadline=None, max_examples=300)
@given(
    echoes=st.lists(
        st.tuples(st.integers(1, 24), st.floats(-3, 3), st.floats(0.06, 1)), min_size=1, max_size=14
    ),
    counted=st.floats(0, 150),
)
def test_a_search_that_ends_early_gives_the_answer_of_the_whole_one(echoes, counted):
    law, place = LAW._replace(sign=0, alternation=0), sorted(20.0 * k + d for k, d, _ in echoes)
    height = np.array([h for *_, h in echoes])
    found = series_in(place, height, law=law, counted=counted)
    want = whole_search(np.array(place), height, 0.0, 0.05, law, counted)
    got = [getattr(found, f.name)[0] for f in fields(Series)]
    np.testing.assert_allclose(got, want, rtol=1e-9, atol=1e-12)
