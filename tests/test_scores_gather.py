"""Panels filled block by block are those that all readings at once make."""

import numpy as np
import pandas as pd
import pytest
from echotrial.outcome import Direction, Outcome
from echotrial.scores import Gathering, gather, joined, panel_of, score, score_panels
from pandas.testing import assert_frame_equal

from tests.engine_stand_in import SETUP

DETECTORS = ("one", "two", "three")
PROVE, TUNE = 400, 150


def invented(seed=0):
    """Readings, outcomes and truth of invented records; no A-scan stands behind them."""
    rng = np.random.default_rng(seed)
    n, d = PROVE + TUNE, len(DETECTORS)
    wall = np.where(rng.random(n) < 0.1, np.nan, rng.uniform(0.15, 1.1, n))
    truth = pd.DataFrame(
        {
            "record": np.arange(n),
            "split": np.where(np.arange(n) < PROVE, "prove", "tune"),
            "thickness_mm": wall,
            "kind": np.where(np.isnan(wall), rng.choice(["dry", "wet tip"], n), "wall"),
            "back_wall_us": [[1.0, 2.0]] * n,
            "snr_db": rng.uniform(5, 60, n),
            "orders": rng.integers(0, 9, n),
            "flat": rng.random(n) < 0.5,
            "specimen": [f"s{i % 7}" for i in range(n)],
            "bound_um": rng.uniform(0.1, 1, n),
        }
    )
    readings = pd.DataFrame(
        {
            "corpus": "invented",
            "record": np.repeat(truth["record"], d),
            "split": np.repeat(truth["split"], d),
            "detector": np.tile(DETECTORS, n),
            "confidence": rng.random(n * d),
        }
    ).reset_index(drop=True)
    kinds = [str(o) for o in Outcome]
    outcomes = pd.DataFrame(
        {
            "outcome": pd.Categorical(rng.choice(kinds, n * d), categories=kinds),
            "direction": pd.Categorical(rng.choice([str(x) for x in Direction], n * d)),
            "error_um": rng.normal(0, 5, n * d),
        }
    )
    return readings, outcomes, truth


def gathered(readings, outcomes, truth, size, **options):
    found = Gathering("invented", SETUP, DETECTORS, {"prove": PROVE, "tune": TUNE}, **options)
    d = len(DETECTORS)
    for start in range(0, len(truth), size):
        rows = slice(start * d, (start + size) * d)
        found.add(readings[rows], outcomes[rows], truth[start : start + size])
    return found


@pytest.mark.parametrize("size", [1, 37, 1000])
def test_blocks_of_any_size_make_the_same_panel(size):
    parts = invented()
    whole = joined(*parts)
    found = gathered(*parts, size)
    for split in ("prove", "tune"):
        mine, theirs = found.panel(split), panel_of(whole, SETUP, split)
        for name in ("code", "direction", "error_um", "confidence", "dry", "inside"):
            np.testing.assert_array_equal(getattr(mine, name), getattr(theirs, name))
        assert mine.detectors == theirs.detectors
        assert mine.truth["specimen"].tolist() == theirs.truth["specimen"].tolist()


@pytest.mark.parametrize("origin", ["synthetic", "recorded"])
def test_scores_of_blocks_are_scores_of_the_whole(origin):
    parts = invented(1)
    found = gathered(*parts, 64, clustered=origin != "synthetic")
    prove, tune = found.panel("prove"), found.panel("tune")
    assert ("specimen" in prove.truth) == (origin != "synthetic")
    mine = score_panels(prove, tune, origin=origin)
    theirs = score(joined(*parts), SETUP, origin=origin)
    assert_frame_equal(mine.table, theirs.table, check_exact=True)
    assert mine.to_json() == theirs.to_json()


def test_scores_of_many_records_are_those_of_few_to_seven_digits(monkeypatch):
    parts = invented(1)
    exact = gathered(*parts, 64, clustered=False)
    theirs = score_panels(exact.panel("prove"), exact.panel("tune"), origin="synthetic")
    monkeypatch.setattr(gather, "LARGE", 50)
    found = gathered(*parts, 64, clustered=False)
    prove = found.panel("prove")
    assert prove.error_um.dtype == prove.confidence.dtype == np.float32
    mine = score_panels(prove, found.panel("tune"), origin="synthetic")
    assert_frame_equal(mine.table, theirs.table, rtol=1e-4, atol=1e-6)


def with_blanks(n):
    """Columns whose blanks are only in late records, in each type that a table may hold."""
    late = np.arange(n) >= 200
    yes = np.arange(n) % 3 == 0
    lists = [None if b else [1.0, 2.0][: 1 + y] for b, y in zip(late, yes, strict=True)]
    return {
        "objects": [None if b else bool(y) for b, y in zip(late, yes, strict=True)],
        "nullable": pd.array(np.where(late, None, yes), dtype="boolean"),
        "orders": pd.array(np.where(late, None, np.arange(n) % 9), dtype="Int64"),
        "lists": lists,
        "arrays": [None if v is None else np.array(v) for v in lists],
    }


@pytest.mark.parametrize("size", [37, 1000])
def test_blanks_and_lists_in_some_blocks_cut_as_in_the_whole(size):
    readings, outcomes, truth = invented(2)
    truth = truth.assign(**with_blanks(len(truth)))
    found = Gathering("invented", SETUP, DETECTORS, {"prove": PROVE, "tune": TUNE})
    for start in range(0, len(truth), size):
        rows = slice(start * len(DETECTORS), (start + size) * len(DETECTORS))
        # a block has the types that its own rows ask for, as it has when read from a file
        block = truth[start : start + size].assign(objects=lambda t: t["objects"].infer_objects())
        found.add(readings[rows], outcomes[rows], block)
    mine = score_panels(found.panel("prove"), found.panel("tune"), origin="synthetic")
    theirs = score(joined(readings, outcomes, truth), SETUP, origin="synthetic")
    assert {"objects", "nullable", "orders", "lists", "arrays"} <= set(mine.table["stratum"])
    order = ["detector", "stratum", "bin", "measure"]
    assert_frame_equal(
        mine.table.sort_values(order, ignore_index=True),
        theirs.table.sort_values(order, ignore_index=True),
        check_exact=True,
    )


def test_a_missing_row_is_no_smaller_corpus():
    readings, outcomes, truth = invented()
    found = Gathering("invented", SETUP, DETECTORS, {"prove": PROVE, "tune": TUNE})
    with pytest.raises(ValueError, match="lacks a row"):
        found.add(readings[:-1], outcomes[:-1], truth)
    found.add(readings[:30], outcomes[:30], truth[:10])
    with pytest.raises(ValueError, match="10 of 400"):
        found.panel("prove")
