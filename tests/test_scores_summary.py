"""All scores of a corpus: planted detectors by hand, the table, the JSON, the defined nothings."""

import json

import numpy as np
import pandas as pd
import pytest
from echotrial import columns
from echotrial.scores import MEASURES, CorpusScores, by_stratum, score, summary, wide
from echotrial.scores.document import Document, json_schema

from tests.planted import DETECTORS, SETUP, Truth, oracle, scored, truth_table

TRUTH = truth_table()
NAN = float("nan")


@pytest.fixture(scope="module")
def planted() -> CorpusScores:
    return score(scored(TRUTH), SETUP, origin="synthetic")


def value(found: CorpusScores, detector: str, measure: str, **where: str) -> float:
    """One number of the table; the whole's unless `where` says otherwise."""
    wanted = {"detector": detector, "measure": measure, "stratum": "whole", "bin": "", **where}
    rows = found.table
    for name, word in wanted.items():
        rows = rows[rows[name] == word]
    assert len(rows) == 1, wanted
    return float(rows["value"].iloc[0])


# By hand, of 4500 walls evenly from 0.5 to 2 mm, tolerance 1 %, q = 100 um:
# `nominal` says 1.25 mm. A hit for walls from 1.25/1.01 to 1.25/0.99 mm (0.02501 of 1.5 mm), else
# within 50 um off (0.1 of 1.5 mm, less the hits; errors even over +-50 um have sd 100/sqrt(12)); an
# echo skip for walls of 0.625 mm +- 25 um, a cycle skip with errors of +-100 and +-200 um, each
# +- 25 um. `half` is thin by 250 um and more, near no skip. `oracle-doubling` doubles 45 walls.
PREDICTED = pd.DataFrame(
    {
        "silent": [0, 1, 0, 0, 0, 0, 0, 0, 0, 0, NAN, NAN, NAN],
        "nominal": [0.0167, 0, 0.05, 0.9333, 0.4667, 0.0333, 0.1333, 0.7667, 1, 1, 0, 28.87, NAN],
        "half": [0, 0, 0, 1, 0, 0, 0, 1, 0, 0, NAN, NAN, NAN],
        "oracle": [1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0.5],
        "oracle-plus-2um": [1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 2, 0, 0.5],
        "oracle-doubling": [0.99, 0, 0, 0.01, 0.01, 0.01, 0, 0, 0, 0, 0, 0, 0.5],
    },
    index=["hit", "dropout", "off", "false lock", "thick false lock", "echo skip", "cycle skip",
           "stray", "phantom", "wet-tip phantom", "bias_um", "sd_um", "thin_wall_mm"],
)  # fmt: skip


@pytest.mark.parametrize("detector", list(PREDICTED))
def test_planted_detectors_score_as_predicted(planted: CorpusScores, detector: str) -> None:
    found = wide(planted.table).loc[detector]
    for name, expected in PREDICTED[detector].items():
        near = pytest.approx(expected, abs=4e-4, rel=3e-3, nan_ok=True)
        assert found[str(name)] == near, name


def test_random_in_range_hits_by_chance(planted: CorpusScores) -> None:
    """Mean of 2 x 1 % x wall over 1.5 mm: 1.67 %; three standard deviations are 0.57 %."""
    assert value(planted, "random", "hit") == pytest.approx(0.0167, abs=0.0057)
    assert value(planted, "random", "phantom", stratum="no wall", bin="dry") == 1


def test_two_micrometres_over_a_bound_of_half_a_micrometre(planted: CorpusScores) -> None:
    assert value(planted, "oracle-plus-2um", "efficiency ratio") == pytest.approx(4.0)
    assert value(planted, "oracle-plus-2um", "trend offset") == pytest.approx(2.0)


def test_doubling_is_named_an_echo_skip(planted: CorpusScores) -> None:
    assert value(planted, "oracle-doubling", "echo skip") == pytest.approx(0.01)
    assert value(planted, "oracle-doubling", "worst stratum false lock") == pytest.approx(
        0.01, abs=1e-4
    )


def test_no_stratum_is_the_worst_where_all_are_alike(planted: CorpusScores) -> None:
    worst = planted.table[planted.table["measure"] == "worst stratum false lock"]
    assert worst.set_index("detector").loc["oracle", "note"] == "all alike"


def test_kinds_add_up(planted: CorpusScores) -> None:
    for detector in DETECTORS:
        kinds = ["echo skip", "cycle skip", "ambiguous", "tail lock", "stray"]
        parts = sum(value(planted, detector, k) for k in kinds)
        assert parts == pytest.approx(value(planted, detector, "false lock"))
        rest = sum(value(planted, detector, k) for k in ("hit", "off", "dropout"))
        assert parts + rest == pytest.approx(1)


def test_table_keeps_to_its_schema(planted: CorpusScores) -> None:
    assert list(planted.table.columns) == list(columns.SCORES)
    assert set(planted.table["measure"]) <= set(MEASURES)
    keys = ["detector", "stratum", "bin", "measure", "unit"]
    assert not planted.table.duplicated(keys).any()
    rates = planted.table[planted.table["numerator"].notna() & (planted.table["denominator"] > 0)]
    assert (rates["numerator"] / rates["denominator"]).to_numpy() == pytest.approx(
        rates["value"].to_numpy()
    )
    inside = (rates["low"] <= rates["value"]) & (rates["value"] <= rates["high"])
    assert inside.all()


def test_json_keeps_to_its_schema_and_holds_no_nan(planted: CorpusScores) -> None:
    text = json.dumps(planted.to_json(), allow_nan=False)
    again = Document.model_validate_json(text)
    assert again.schema_ == "echotrial.scores/1"
    assert again.verdict.detector == "oracle"
    assert len(again.scores) == len(planted.table)
    assert json_schema()["properties"]["schema"]["const"] == "echotrial.scores/1"


def test_frames_by_stratum(planted: CorpusScores) -> None:
    found = by_stratum(planted.table, "wall_wavelengths", "hit")
    assert list(found.index) == list(DETECTORS)
    assert list(found.columns)[:3] == ["1 to 1.5", "1.5 to 2", "2 to 3"]
    assert (found.loc["oracle"] == 1).all()


def small() -> Truth:
    return truth_table(walls=200, dry=20, wet=10, tune=100)


def test_order_of_rows_does_not_matter() -> None:
    frame = scored(small())
    tables = [
        score(rows, SETUP, origin="synthetic").table
        for rows in (frame, frame.sample(frac=1, random_state=1))
    ]
    keys = ["detector", "stratum", "bin", "measure", "unit"]
    a, b = (t.sort_values(keys, ignore_index=True) for t in tables)
    pd.testing.assert_frame_equal(a, b)


def with_velocity(truth: Truth) -> Truth:
    """The wall's true velocity is 1 % below the set-up's."""
    return truth.assign(velocity_true_m_s=4000 / 1.01)


def reads_too_fast(truth: Truth, rng: np.random.Generator) -> np.ndarray:
    """Perfect times at the set-up's velocity, and 1 um too thick."""
    return truth["thickness_mm"].to_numpy() * 1.01 + 0.001


@pytest.mark.parametrize("known", [True, False])
def test_velocity_error_apart_from_the_detectors_own(known: bool) -> None:
    """1 % of 0.5 to 2 mm: 12.5 um on average; the detector's own bias is 1 um."""
    truth = with_velocity(small()) if known else small().drop(columns="velocity_true_m_s")
    found = score(scored(truth, {"fast": reads_too_fast}), SETUP, origin="synthetic")
    assert value(found, "fast", "velocity error") == pytest.approx(12.5, abs=0.01)
    assert value(found, "fast", "own bias") == pytest.approx(1.0, abs=0.01)
    assert value(found, "fast", "bias") == pytest.approx(13.5, abs=0.01)
    assert value(found, "fast", "trend slope") == pytest.approx(1.0, abs=1e-6)
    row = found.table[found.table["measure"] == "velocity error"].iloc[0]
    assert ("by the trend" in row["note"]) is not known
    # a wrong velocity is no noise: it does not spoil the efficiency where it is known
    efficiency = value(found, "fast", "efficiency ratio")
    assert efficiency == pytest.approx(2.0, abs=0.01) if known else efficiency > 20


def test_a_slope_that_no_velocity_explains_is_the_detectors_own() -> None:
    found = score(scored(small(), {"fast": reads_too_fast}), SETUP, origin="synthetic")
    notes = found.table.loc[found.table["measure"] == "trend slope", "note"]
    assert notes.item() == "the detector's own slope and zero offset"
    found = score(scored(with_velocity(small()), {"fast": reads_too_fast}), SETUP, origin="x")
    notes = found.table.loc[found.table["measure"] == "trend slope", "note"]
    assert notes.item() == "velocity and zero offset"


def test_confidence_of_a_detector_that_knows_when_it_doubles() -> None:
    frame = scored(truth_table(), {"oracle-doubling": DETECTORS["oracle-doubling"]})
    doubled = frame["outcome"] == "echo skip"
    frame["confidence"] = np.where(doubled, 0.3, 0.9)
    found = score(frame, SETUP, origin="synthetic")
    assert value(found, "oracle-doubling", "brier") == pytest.approx(0.0)
    assert value(found, "oracle-doubling", "confidence threshold") == 1.0
    assert value(found, "oracle-doubling", "hits at threshold") == pytest.approx(0.99)
    assert found.maps["oracle-doubling"]([0.3, 0.9]).tolist() == [0.0, 1.0]
    assert found.risk["oracle-doubling"]["risk"].tolist() == pytest.approx([0, 0.01])
    json.dumps(found.to_json(), allow_nan=False)


def test_a_small_stratum_is_shown_and_never_named_the_worst() -> None:
    """Ten walls of operator c are all missed; the worst that decides is b, with every fifth."""
    truth = small()
    operator = np.full(len(truth), "a", dtype=object)
    operator[:10], operator[10:110] = "c", "b"

    def read(truth: Truth, rng: np.random.Generator) -> np.ndarray:
        found = oracle(truth, rng)
        found[:10], found[10:110:5] = np.nan, np.nan
        return found

    found = score(scored(truth.assign(operator=operator), {"x": read}), SETUP, origin="synthetic")
    assert value(found, "x", "hit", stratum="operator", bin="c") == 0
    rows = found.table[found.table["stratum"] == "operator"].set_index(["bin", "measure"])
    assert rows.loc[("c", "hit"), "note"] == "too few to decide"
    worst = found.table[found.table["measure"] == "worst stratum hit"].iloc[0]
    assert (worst["note"], worst["value"]) == ("operator b", 0.8)


def test_crashes_stay_in_the_denominator() -> None:
    frame = scored(small(), {"oracle": oracle})
    crashed = frame["record"] < 50
    frame["outcome"] = frame["outcome"].astype(str)
    frame.loc[crashed, ["outcome", "error_um"]] = ["crashed", NAN]
    found = score(frame, SETUP, origin="synthetic")
    assert value(found, "oracle", "hit") == 150 / 200
    assert value(found, "oracle", "crashed") == 50 / 200


def test_undecided_readings_are_left_out_of_both_rates() -> None:
    truth = small()
    truth.loc[truth.index[:40], "thickness_u_mm"] = 0.1
    found = score(scored(truth, {"oracle": oracle}), SETUP, origin="synthetic")
    assert value(found, "oracle", "undecided") == 40 / 200
    row = found.table[(found.table["measure"] == "hit") & (found.table["stratum"] == "whole")]
    assert (row["numerator"].item(), row["denominator"].item()) == (160, 160)
    bias = found.table[(found.table["measure"] == "bias") & (found.table["stratum"] == "whole")]
    assert bias["denominator"].item() == 200


def test_walls_outside_the_range_are_scored_apart() -> None:
    truth = small()
    truth.loc[truth.index[:20], "thickness_mm"] = 0.3
    found = score(scored(truth, {"silent": DETECTORS["silent"]}), SETUP, origin="synthetic")
    assert value(found, "silent", "dropout", stratum="range", bin="thinner") == 1
    row = found.table[(found.table["measure"] == "dropout") & (found.table["stratum"] == "whole")]
    assert row["denominator"].item() == 180


def test_one_specimen_has_numbers_and_no_intervals() -> None:
    truth = small().assign(specimen="block")
    found = score(scored(truth, {"oracle": oracle}), SETUP, origin="recorded")
    row = found.table[(found.table["measure"] == "hit") & (found.table["stratum"] == "whole")]
    assert row["value"].item() == 1
    assert row[["low", "high"]].isna().all(axis=None)
    assert row["note"].item() == "one specimen: no interval"
    assert np.isnan(value(found, "oracle", "hit at least"))
    assert found.verdict.answer == "not enough records to say"


@pytest.mark.parametrize("origin", ["synthetic", "recorded"])
@pytest.mark.parametrize(
    "truth",
    [
        truth_table(walls=0, dry=20, wet=0, tune=0),
        truth_table(walls=1, dry=0, wet=0, tune=0),
        truth_table(walls=0, dry=0, wet=0, tune=60),
        truth_table(walls=30, dry=0, wet=0, tune=0).drop(
            columns=["kind", "specimen", "velocity_true_m_s", "bound_um", "wall_wavelengths"]
        ),
    ],
    ids=["no walls", "one wall", "tune only", "bare truth"],
)
def test_next_to_nothing_is_defined(truth: Truth, origin: str) -> None:
    found = score(scored(truth), SETUP, origin=origin)
    assert found.verdict.answer == "not enough records to say"
    assert list(wide(found.table).index) == list(DETECTORS)
    json.dumps(found.to_json(), allow_nan=False)


def test_no_readings_at_all_is_defined() -> None:
    found = score(scored(TRUTH)[:0], SETUP, origin="synthetic")
    assert found.table.empty
    assert list(found.table.columns) == list(columns.SCORES)
    assert "not enough records to say" in found.verdict.sentence


def test_a_missing_row_is_no_smaller_denominator() -> None:
    frame = scored(small())
    with pytest.raises(ValueError, match="lacks a row"):
        score(frame.drop(index=frame.index[5]), SETUP, origin="synthetic")


def test_one_corpus_at_a_time() -> None:
    frame = scored(small())
    frame.loc[:10, "corpus"] = "other"
    with pytest.raises(ValueError, match="one corpus"):
        score(frame, SETUP, origin="synthetic")


def test_extra_measures_of_plugins() -> None:
    def largest(own: pd.DataFrame) -> dict[str, float]:
        assert set(own["split"]) == {"prove"}
        return {"um": own["error_um"].abs().max()}

    def broken(own: pd.DataFrame) -> dict[str, float]:
        raise KeyError("nowhere")

    found = score(
        scored(small(), {"plus": DETECTORS["oracle-plus-2um"]}),
        SETUP,
        origin="synthetic",
        measures={"largest": largest, "broken": broken},
    )
    assert value(found, "plus", "largest: um") == pytest.approx(2.0)
    row = found.table[found.table["measure"] == "broken"].iloc[0]
    assert row["note"] == "no estimate: KeyError: 'nowhere'"


@pytest.mark.parametrize("points", [1, 7, 8, 13, 14, 15, 700])
def test_a_long_risk_curve_keeps_both_ends(monkeypatch: pytest.MonkeyPatch, points: int) -> None:
    monkeypatch.setattr(summary, "_MOST_POINTS", 7)
    whole = pd.DataFrame({"coverage": np.linspace(0.1, 1, points)})
    short = summary._kept(whole)
    assert len(short) == min(points, 7)
    for end in (0, -1):
        assert short["coverage"].iloc[end] == whole["coverage"].iloc[end]
