"""The table of evidence of all detectors, at tiny size: its numbers are those of the trial."""

import re

import pandas as pd
import pytest

from benchmarks import all_detectors
from benchmarks.all_detectors import SPECS, conduct, number, rate, report, worst_bias
from benchmarks.targets import Rows, attainable, metal, rows_of

SETUP_RANGE_MM = (0.043, 1.435)  # as stainless-tube-20mhz.toml has it


@pytest.fixture(scope="module")
def trial(tmp_path_factory):
    folder = tmp_path_factory.mktemp("evidence") / "trial"
    return conduct(["stainless-tube-20mhz"], "smoke", folder, 1)


def test_every_shipped_spec_is_in_it():
    assert len(SPECS) >= 20
    assert {"stainless-tube-20mhz", "nylon-tube-mismatched", "tail-stress"} <= set(SPECS)


def test_the_table_has_a_row_for_each_detector_with_the_numbers_of_the_trial(trial):
    text = report(trial, "the command")
    assert text.startswith("# All detectors on all shipped specs\n\nMade by `the command` on 20")
    rows = {line.split(" | ")[0].strip("| "): line for line in text.splitlines() if "| " in line}
    detectors = trial.scores.detector.unique()
    assert set(detectors) <= set(rows)
    records = trial.records
    low, high = SETUP_RANGE_MM
    inside = (records.split == "prove") & records.thickness_mm.between(low, high)
    readings = trial.readings[trial.readings.record.isin(records.record[inside])]
    for detector in detectors:
        cells = [cell.strip() for cell in rows[detector].strip("|").split("|")]
        assert len(cells) == len(all_detectors.HEADINGS)
        own = readings[readings.detector == detector]
        hits, walls = map(int, re.match(r"(\d+)/(\d+)", cells[1]).groups())
        assert hits == (own.outcome == "hit").sum()
        assert walls == inside.sum()


def test_targets_are_counted_from_readings_and_truth(trial):
    """Hits between 0.35 and 5 wavelengths, counted anew from the tables."""
    lines = list(metal(rows_of(trial, "stainless-tube-20mhz", "correlation"), 1.5))
    records = trial.records[trial.records.split == "prove"].set_index("record")
    read = trial.readings[trial.readings.detector == "correlation"].set_index("record")
    own = read.outcome[records.index[records.thickness_mm.between(*SETUP_RANGE_MM)]]
    waves = records.wall_wavelengths[own.index]
    own = own[(waves >= 0.35) & (waves <= 5)]
    hits, n = (own == "hit").sum(), len(own)
    by_what = {line.what: line for line in lines}
    found = by_what["hits, 0.35 to 5 wl"]
    assert found.found.startswith(f"{hits}/{n} ")
    assert found.reached is bool(hits / n >= 0.995)
    assert by_what["thin-wall limit"].cells()[3:] == ("<= 0.35 wl", "1.5 wl", "not reached")
    assert by_what["phantoms, wet tip"].cells()[-1] == "reported"


@pytest.mark.parametrize(
    ("bound_um", "share"), [(10 / 1.959964, "95 %"), (10 / 2.575829, "99 %"), (0.01, "100 %")]
)
def test_what_the_bound_allows_is_that_of_a_normal_error(bound_um, share):
    """Two-sided quantiles of the normal distribution at a tolerance of 10 um, by any table."""
    table = pd.DataFrame({"bound_um": [bound_um, None], "tolerance_um": [10.0, 10.0]})
    found = attainable(Rows("made", "none", table)).found
    assert found == f"{share} of 1 records that have a bound"


def test_a_rate_is_told_with_its_counts_and_interval():
    row = pd.Series({"numerator": 3.0, "denominator": 40.0, "value": 0.075, "low": 0.02,
                     "high": 0.2})  # fmt: skip
    assert rate(row) == "3/40 7.5 % (2 to 20)"
    assert rate(None) == rate(row.replace(40.0, 0.0)) == "-"
    assert number(pd.Series({"value": float("nan")}), "{}") == "-"


def test_the_worst_bias_is_that_of_the_worst_stratum_with_enough_hits():
    own = pd.DataFrame(
        [("whole", None, "bias", -0.5, 400), ("snr_db", "30 to 40", "bias", 1.0, 150),
         ("snr_db", "20 to 30", "bias", 9.0, 50), ("whole", None, "hit", 99.0, 400)],
        columns=["stratum", "bin", "measure", "value", "denominator"],
    ).assign(unit="um")  # fmt: skip
    assert worst_bias(own, 5.0) == "0.20 (snr_db 30 to 40)"
    assert worst_bias(own[own.measure == "hit"], 5.0) == "-"


def test_a_wrong_size_leaves_no_file(tmp_path):
    target = tmp_path / "table.md"
    with pytest.raises(SystemExit):
        all_detectors.main(["tiny", "--spec", "tail-stress", "--out", str(target)])
    assert not list(tmp_path.iterdir())
