"""Cutting records into parts."""

import numpy as np
import pandas as pd
from echotrial.scores.strata import bins_of


def test_fixed_edges_and_what_belongs_to_them() -> None:
    table = pd.DataFrame({"wall_wavelengths": [0.1, 0.25, 0.74, 0.75, 7.0, np.nan]})
    found = {b.name: np.flatnonzero(b.rows).tolist() for b in bins_of(table)}
    assert found == {
        "0 to 0.25": [0],
        "0.25 to 0.5": [1],
        "0.5 to 0.75": [2],
        "0.75 to 1": [3],
        "5 and above": [4],
    }


def test_below_the_first_edge() -> None:
    table = pd.DataFrame({"echo_snr_db": [-12.0, 5.0, 55.0]})
    assert [b.name for b in bins_of(table)] == ["below 0", "0 to 10", "40 and above"]


def test_any_number_is_cut_into_bins_of_equal_count() -> None:
    table = pd.DataFrame({"radius_mm": np.arange(1000.0)})
    found = bins_of(table)
    assert [int(b.rows.sum()) for b in found] == [200] * 5
    assert all(b.decides for b in found)


def test_words_and_flags_are_categories() -> None:
    table = pd.DataFrame(
        {"operator": ["a", "b", "a", None], "wet": [True, False, True, True], "one": ["x"] * 4}
    )
    found = {(b.stratum, b.name): int(b.rows.sum()) for b in bins_of(table)}
    assert found == {
        ("operator", "a"): 2,
        ("operator", "b"): 1,
        ("wet", "False"): 1,
        ("wet", "True"): 3,
    }


def test_small_bins_are_shown_and_decide_nothing() -> None:
    table = pd.DataFrame({"operator": ["a"] * 100 + ["b"] * 99})
    assert {b.name: b.decides for b in bins_of(table)} == {"a": True, "b": False}


def test_constant_and_identifying_columns_cut_nothing() -> None:
    table = pd.DataFrame(
        {
            "record": range(200),
            "specimen": ["a", "b"] * 100,
            "back_wall_us": [[1.0]] * 200,
            "note": [f"n{i}" for i in range(200)],
            "angle_deg": 2.0,
        }
    )
    assert bins_of(table) == []
    assert bins_of(table[:0]) == []


def test_only_the_records_asked_for() -> None:
    table = pd.DataFrame({"operator": ["a", "b", "c", "a"]})
    found = bins_of(table, among=np.array([True, True, False, False]))
    assert [(b.name, int(b.rows.sum())) for b in found] == [("a", 1), ("b", 1)]
    assert bins_of(table, columns=["absent"]) == []
