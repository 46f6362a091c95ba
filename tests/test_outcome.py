"""Every rule of the outcomes, and each pair of neighbouring rules, on cases worked out by hand.

The bench: 10 MHz in a wall of 4000 m/s, so T = 100 ns, a wavelength is 400 um, 1 ns of interval is
2 um of wall, and q = 100 um for one span. Tolerance: the larger of 1 % and 5 um. The interface echo
comes at 1000 ns, back-wall echo k at 1000 ns + k x round trip, the tail ends at 1900 ns.

- Wall 2000 um (5 wavelengths, round trip 1000 ns): tol 20 um; off to 50 um by thickness and to
  100 um by marks that are together.
- Wall 500 um (1.25 wavelengths, 250 ns): tol 5 um; off to 50 um either way (a tenth of the wall).
- Wall 100 um (a quarter, 50 ns): tol 5 um, off to 10 um.
"""

from typing import Any, NamedTuple

import numpy as np
import pandas as pd
import pytest
from echotrial import columns
from echotrial.outcome import (
    FALSE_LOCKS,
    FAULTS,
    NO_OFFSETS,
    MarkOffsets,
    Outcome,
    classify,
    judge,
    mark_offsets,
)
from echotrial.setup import Setup, Tolerance
from hypothesis import given, settings
from hypothesis import strategies as st

BENCH = Setup(centre_frequency=10e6, velocity=4000.0, wall_range=(1e-4, 4e-3))
ROUND_TRIP_NS_PER_UM = 0.5


def truth_of(wall_um: float | None, **more: Any) -> dict[str, Any]:
    """Truth of one record of the bench."""
    if wall_um is None:
        return {"thickness_mm": np.nan, "back_wall_us": [], "interface_us": np.nan, **more}
    orders = np.arange(1, 7)
    return {
        "thickness_mm": wall_um / 1e3,
        "thickness_u_mm": 0.0,
        "interface_us": 1.0,
        "back_wall_us": list(1.0 + orders * wall_um * ROUND_TRIP_NS_PER_UM / 1e3),
        "back_wall_stands": [True] * 6,
        "tail_end_us": 1.9,
        **more,
    }


def outcome_of(
    truth: dict[str, Any],
    read_um: float,
    marks_ns: tuple[float, float] | None = None,
    spans: float = 1.0,
    status: str = "ok",
    offsets: MarkOffsets = NO_OFFSETS,
    setup: Setup = BENCH,
) -> pd.Series:
    first, second = marks_ns or (np.nan, np.nan)
    reading = {
        "record": 0,
        "split": "prove",
        "thickness_mm": read_um / 1e3,
        "first_echo_us": first / 1e3,
        "second_echo_us": second / 1e3,
        "spans": spans,
        "status": status,
    }
    table = pd.DataFrame([{"record": 0, "split": "prove", **truth}])
    return classify(pd.DataFrame([reading]), table, setup, offsets).iloc[0]


class Planted(NamedTuple):
    """A reading of a wall, and what it is, by hand."""

    why: str
    wall_um: float
    read_um: float
    outcome: str
    direction: str = ""
    marks_ns: tuple[float, float] | None = None
    spans: float = 1.0


NAN = float("nan")
BY_THICKNESS = [
    Planted("nothing read on a wall", 2000, NAN, "dropout"),
    Planted("exact", 2000, 2000, "hit"),
    Planted("at the tolerance", 2000, 2020, "hit"),
    Planted("at the tolerance below", 2000, 1980, "hit"),
    Planted("beyond the tolerance", 2000, 2020.01, "off", "thick"),
    Planted("beyond the tolerance below", 2000, 1979.99, "off", "thin"),
    Planted("at q/2", 2000, 2050, "off", "thick"),
    Planted("between q/2 and 3q/4: neither off nor a cycle", 2000, 2050.01, "stray", "thick"),
    Planted("at 3q/4", 2000, 2075, "cycle skip", "thick"),
    Planted("just inside 3q/4", 2000, 2074.99, "stray", "thick"),
    Planted("half a cycle late", 2000, 2100, "cycle skip", "thick"),
    Planted("half a cycle early", 2000, 1900, "cycle skip", "thin"),
    Planted("at 5q/4", 2000, 2125, "cycle skip", "thick"),
    Planted("between the cycles", 2000, 2150, "stray", "thick"),
    Planted("a whole cycle", 2000, 2200, "cycle skip", "thick"),
    Planted("past the whole cycle", 2000, 2225.01, "stray", "thick"),
    Planted("every second multiple", 2000, 4000, "echo skip", "thick"),
    Planted("twice the wall, off by q/2", 2000, 4050, "echo skip", "thick"),
    Planted("twice the wall, off by more", 2000, 4050.01, "stray", "thick"),
    Planted("six times", 2000, 12000, "echo skip", "thick"),
    Planted("seven times: no rule goes so far", 2000, 14000, "stray", "thick"),
    Planted("half the wall with one span is no echo", 2000, 1000, "stray", "thin"),
    Planted("half the wall of a reading over two spans", 2000, 1000, "echo skip", "thin", spans=2),
    Planted("half the wall over two spans, at q/2 = 25 um", 2000, 1025, "echo skip", "thin",
            spans=2),
    Planted("and beyond it", 2000, 1025.01, "stray", "thin", spans=2),
    Planted("three halves", 2000, 3000, "echo skip", "thick", spans=2),
    Planted("half a cycle over two spans", 2000, 2050, "cycle skip", "thick", spans=2),
    Planted("two spans: off goes to 2 tol", 2000, 2040, "off", "thick", spans=2),
    Planted("spans not said count as one", 2000, 4000, "echo skip", "thick", spans=NAN),
    Planted("a tenth of a thin wall", 500, 550, "off", "thick"),
    Planted("more than a tenth", 500, 550.01, "stray", "thick"),
    Planted("a cycle on a thin wall", 500, 575, "cycle skip", "thick"),
    Planted("quarter wavelength: echo and half cycle coincide", 100, 200, "ambiguous", "thick"),
    Planted("quarter wavelength: 2 tol is the limit of off", 100, 110, "off", "thick"),
    Planted("quarter wavelength: beyond, no rule fits", 100, 110.01, "stray", "thick"),
    Planted("quarter wavelength: half way to twice the wall", 100, 150, "echo skip", "thick"),
    Planted("quarter wavelength: near twice and at 3q/4", 100, 175, "ambiguous", "thick"),
    Planted("quarter wavelength: half a cycle thinner", 100, 0, "cycle skip", "thin"),
]  # fmt: skip

BY_MARKS = [
    Planted("both on, interval right, error to q", 2000, 2100, "off", "thick", (1000, 2025)),
    Planted("both on, error beyond q", 2000, 2100.01, "stray", "thick", (1000, 2025)),
    Planted("both on, thin wall: error to a tenth", 500, 550, "off", "thick", (1000, 1275 - 1)),
    Planted("both on, thin wall: beyond", 500, 550.01, "stray", "thick", (1000, 1275 - 1)),
    Planted("interface to second back wall", 2000, 4000, "echo skip", "thick", (1000, 3000)),
    Planted("first to third for one span", 2000, 4000, "echo skip", "thick", (2000, 4000)),
    Planted("first to third over two spans", 2000, 2025, "off", "thick", (1990, 4015), 2),
    Planted("first to second over two spans", 2000, 1000, "echo skip", "thin", (2000, 3000), 2),
    Planted("T/4 is on: an echo skip", 2000, 4050, "echo skip", "thick", (1000, 3025)),
    Planted("skip of an echo, both early by half a cycle", 2000, 4000, "echo skip", "thick",
            (1950, 3950)),
    Planted("half a cycle late on the back wall", 2000, 2100, "cycle skip", "thick", (1000, 2050)),
    Planted("half a cycle early, before the tail's end", 500, 400, "cycle skip", "thin",
            (1000, 1200)),
    Planted("half a cycle late on the interface", 2000, 1900, "cycle skip", "thin", (1050, 2000)),
    Planted("a whole cycle", 2000, 2200, "cycle skip", "thick", (1000, 2100)),
    Planted("T/2 + T/8, the edge", 2000, 2125, "cycle skip", "thick", (1000, 2062.5)),
    Planted("T + T/8, the edge", 2000, 2225, "cycle skip", "thick", (1000, 2112.5)),
    Planted("in the tail", 2000, 1400, "tail lock", "thin", (1000, 1700)),
    Planted("on no echo, just before the tail's end", 2200, 1799, "tail lock", "thin",
            (1000, 1899.5)),
    Planted("first mark in the tail", 2000, 1400, "tail lock", "thin", (1300, 2000)),
    Planted("both early by half a cycle: the interval is right", 2000, 2030, "off", "thick",
            (950, 1965)),
    Planted("both early by more than T/4, apart by T/4", 2000, 2050, "off", "thick", (960, 1985)),
    Planted("apart by more than T/4: a cycle", 2000, 2060, "cycle skip", "thick", (945, 1975)),
    Planted("both late by a whole cycle", 2000, 2030, "off", "thick", (1095, 2110)),
    Planted("one of them by more than 9/8", 2000, 2030, "tail lock", "thick", (1098, 2113)),
    Planted("both far from every echo are not together", 2000, 2030, "tail lock", "thick",
            (1300, 2315)),
]  # fmt: skip

#: With marks, none of which names anything: the thickness does.
UNDECIDED_BY_MARKS = [
    Planted("T/2 and more than T/8, after the tail", 2000, 2126, "stray", "thick", (1000, 2063)),
    Planted("T and more than T/8, after the tail", 2000, 2226, "stray", "thick", (1000, 2113)),
    Planted("a cycle off and an echo skipped", 2000, 4100, "stray", "thick", (1000, 3050)),
    Planted("on no echo, at the tail's end", 2200, 1800, "stray", "thin", (1000, 1900)),
    Planted("on no echo after the tail, error within q/2", 2000, 2050, "off", "thick",
            (2030, 3064)),
    Planted("on no echo after the tail", 2000, 2500, "stray", "thick", (1000, 2250)),
    Planted("multiples later than any known one, over three spans", 2000, 4000, "echo skip",
            "thick", (3000, 9000), 3),
    Planted("a cycle late on such a one", 2000, 2067, "cycle skip", "thick", (3000, 9100), 3),
]  # fmt: skip


@pytest.mark.parametrize("case", BY_THICKNESS, ids=lambda c: c.why)
def test_planted_by_thickness(case: Planted) -> None:
    got = outcome_of(truth_of(case.wall_um), case.read_um, spans=case.spans)
    expected_rule = "by status" if np.isnan(case.read_um) else "by thickness"
    assert (got["outcome"], got["direction"]) == (case.outcome, case.direction)
    assert got["rule"] == expected_rule


@pytest.mark.parametrize("case", BY_MARKS, ids=lambda c: c.why)
def test_planted_by_marks(case: Planted) -> None:
    got = outcome_of(truth_of(case.wall_um), case.read_um, case.marks_ns, case.spans)
    assert (got["outcome"], got["direction"]) == (case.outcome, case.direction)
    assert got["rule"] == "by marks"


@pytest.mark.parametrize("case", UNDECIDED_BY_MARKS, ids=lambda c: c.why)
def test_planted_where_marks_decide_nothing(case: Planted) -> None:
    got = outcome_of(truth_of(case.wall_um), case.read_um, case.marks_ns, case.spans)
    assert (got["outcome"], got["direction"]) == (case.outcome, case.direction)
    assert got["rule"] == "by thickness"


def test_error_and_tolerance_are_in_micrometres() -> None:
    got = outcome_of(truth_of(2000), 1970)
    assert got["error_um"] == pytest.approx(-30)
    assert got["tolerance_um"] == pytest.approx(20)


@pytest.mark.parametrize("wall", [None, 2000.0])
@pytest.mark.parametrize("status", sorted(FAULTS))
def test_faults_come_first_with_and_without_a_wall(status: str, wall: float | None) -> None:
    got = outcome_of(truth_of(wall), NAN, status=status)
    assert (got["outcome"], got["rule"], got["direction"]) == (status, "by status", "")


@pytest.mark.parametrize("read", [-1.0, float("inf"), float("-inf")])
def test_negative_and_infinite_readings_are_invalid(read: float) -> None:
    assert outcome_of(truth_of(2000), read)["outcome"] == "invalid"
    assert outcome_of(truth_of(None), read)["outcome"] == "invalid"


def test_without_a_wall_silence_is_right() -> None:
    assert outcome_of(truth_of(None), NAN)["outcome"] == "quiet"
    phantom = outcome_of(truth_of(None), 300.0, (1000, 1150))
    assert (phantom["outcome"], phantom["direction"]) == ("phantom", "")
    assert Outcome.PHANTOM in FALSE_LOCKS


@pytest.mark.parametrize(
    ("truth", "marks", "rule", "outcome"),
    [
        (truth_of(2000, back_wall_us=[]), (1000, 3000), "by thickness", "echo skip"),
        (truth_of(2000, back_wall_us=None), (1000, 3000), "by thickness", "echo skip"),
        (truth_of(2000), (NAN, 3000), "by thickness", "echo skip"),
        (truth_of(2000, interface_us=NAN), (1000, 3000), "by thickness", "echo skip"),
        (truth_of(2000, interface_us=NAN), (2000, 4000), "by marks", "echo skip"),
        (truth_of(2000, tail_end_us=NAN), (1000, 1700), "by thickness", "echo skip"),
        (truth_of(2000), (1000, 1700), "by marks", "tail lock"),
        (truth_of(2000, back_wall_stands=[True, False] + [True] * 4), (1000, 3000),
         "by thickness", "echo skip"),
        (truth_of(2000, back_wall_stands=None), (1000, 3000), "by marks", "echo skip"),
        (truth_of(2000, back_wall_stands=[False] * 6), (1000, 3000), "by thickness", "echo skip"),
    ],
)  # fmt: skip
def test_what_is_not_known_of_the_truth(
    truth: dict[str, Any], marks: tuple[float, float], rule: str, outcome: str
) -> None:
    got = outcome_of(truth, 4000, marks)
    assert (got["rule"], got["outcome"]) == (rule, outcome)


@pytest.mark.parametrize(
    ("read", "outcome"),
    [
        (2000, "hit"),
        (2016, "hit"),  # tol - 2 u = 20 - 4
        (2016.01, "undecided"),
        (2020, "undecided"),
        (2024, "undecided"),
        (2024.01, "off"),
        (1975.99, "off"),
        (1976, "undecided"),
        (2100, "cycle skip"),
    ],
)
def test_guard_band_of_an_uncertain_truth(read: float, outcome: str) -> None:
    """ISO 14253-1: conformity is proven inside the tolerance less the guard, u = 2 um here."""
    assert outcome_of(truth_of(2000, thickness_u_mm=0.002), read)["outcome"] == outcome


def test_guard_band_lies_only_between_hit_and_off() -> None:
    truth = truth_of(2000, thickness_u_mm=0.002)
    assert outcome_of(truth, 2022, (1300, 2311))["outcome"] == "tail lock"


def test_truth_too_uncertain_for_the_tolerance_decides_nothing() -> None:
    truth = truth_of(2000, thickness_u_mm=0.05)  # 2 u = 100 um, tol 20 um
    assert outcome_of(truth, 2000)["outcome"] == "undecided"
    assert outcome_of(truth, 2110)["outcome"] == "undecided"
    assert outcome_of(truth, 2130)["outcome"] == "stray"


def test_offsets_say_where_on_an_echo_a_detector_marks() -> None:
    """A mark 60 ns early is on no echo; with an offset of -60 ns it is on it."""
    skip = ((940.0, 3040.0), 1.0)
    offsets = MarkOffsets(first_s=-60e-9, second_s=40e-9, n_hits=100)
    assert outcome_of(truth_of(2000), 4200, *skip, offsets=offsets)["outcome"] == "echo skip"
    assert outcome_of(truth_of(2000), 4200, *skip)["outcome"] != "echo skip"


@settings(deadline=None)
@given(
    wall_nm=st.integers(min_value=50_000, max_value=20_000_000),
    sign=st.sampled_from([-1, 1]),
    relative_ppm=st.sampled_from([1_000, 5_000, 10_000, 33_333]),
)
def test_the_edge_of_the_tolerance_does_not_hang_on_float_rounding(
    wall_nm: int, sign: int, relative_ppm: int
) -> None:
    """Edges in integers (pm): at the tolerance a hit, a nanometre beyond not."""
    setup = BENCH.model_copy(
        update={"tolerance": Tolerance(relative=relative_ppm / 1e6, absolute=5e-6)}
    )
    tol_pm = max(wall_nm * relative_ppm // 1000, 5_000_000)
    edge_pm = wall_nm * 1000 + sign * tol_pm
    truth = {"thickness_mm": wall_nm / 1e6}
    assert outcome_of(truth, edge_pm / 1e6, setup=setup)["outcome"] == "hit"
    beyond = outcome_of(truth, (edge_pm + sign * 1000) / 1e6, setup=setup)["outcome"]
    assert beyond == "off"


def slow_by_thickness(wall: float, read: float, s: int) -> str:
    """Rule 5 for one reading in micrometres, as it is written down."""
    tol, e, q = max(0.01 * wall, 5), abs(read - wall), 100 / s
    if e <= tol:
        return "hit"
    if e <= max(2 * tol, min(q / 2, wall / 10)):
        return "off"
    reach = min(max(tol, q / 2), wall / (2 * s))
    skipped = any(abs(read - wall * j / s) <= reach for j in range(1, 7) if j != s)
    cycle = abs(e - q) <= q / 4 or abs(e - 2 * q) <= q / 4
    if skipped:
        return "ambiguous" if cycle else "echo skip"
    return "cycle skip" if cycle else "stray"


def test_kernel_against_the_slow_twin() -> None:
    rng = np.random.default_rng(1)
    n = 3000
    walls, spans = rng.uniform(60, 4000, n), rng.integers(1, 4, n)
    reads = walls * rng.choice([1, 2, 0.5, 1.5, 3], n) + rng.uniform(-250, 250, n)
    reads = np.abs(reads)
    truth = pd.DataFrame({"record": np.arange(n), "thickness_mm": walls / 1e3})
    readings = pd.DataFrame(
        {"record": np.arange(n), "thickness_mm": reads / 1e3, "spans": spans, "status": "ok"}
    )
    got = classify(readings, truth, BENCH, NO_OFFSETS)["outcome"].astype(str).tolist()
    expected = [
        slow_by_thickness(w, r, int(s)) for w, r, s in zip(walls, reads, spans, strict=True)
    ]
    assert got == expected
    assert set(expected) >= {"hit", "off", "echo skip", "ambiguous", "cycle skip", "stray"}


def bench_table(walls_um: np.ndarray, split: str = "tune") -> pd.DataFrame:
    rows = [{"record": i, "split": split, **truth_of(w)} for i, w in enumerate(walls_um)]
    return pd.DataFrame(rows)


def marked(
    truth: pd.DataFrame, echoes: tuple[int, int], lag_ns: tuple[float, float]
) -> pd.DataFrame:
    """An oracle that marks two given echoes (0 = interface), each off by a fixed lag."""
    times = np.column_stack([truth["interface_us"], np.stack(truth["back_wall_us"].tolist())])
    return pd.DataFrame(
        {
            "record": truth["record"],
            "split": truth["split"],
            "detector": "oracle",
            "thickness_mm": truth["thickness_mm"],
            "first_echo_us": times[:, echoes[0]] + lag_ns[0] / 1e3,
            "second_echo_us": times[:, echoes[1]] + lag_ns[1] / 1e3,
            "spans": float(echoes[1] - echoes[0]),
            "status": "ok",
        }
    )


@pytest.mark.parametrize("echoes", [(0, 1), (1, 2), (1, 3)])
@pytest.mark.parametrize("lag_ns", [(-60.0, -45.0), (30.0, 10.0), (-120.0, -110.0)])
def test_offsets_are_recovered_in_modes_2_and_3(
    echoes: tuple[int, int], lag_ns: tuple[float, float]
) -> None:
    """Walls from 0.3 to 5 wavelengths: echoes 60 ns apart and more, offsets to more than a T."""
    truth = bench_table(np.linspace(120, 2000, 200))
    found = mark_offsets(marked(truth, echoes, lag_ns), truth, BENCH)
    assert found.n_hits == 200
    assert (found.first_s * 1e9, found.second_s * 1e9) == pytest.approx(lag_ns, abs=1e-6)


def test_thin_walls_do_not_hide_an_offset_longer_than_half_their_echoes() -> None:
    """Echoes 60 to 120 ns apart on three walls of four, marks 100 ns early."""
    walls = np.r_[np.linspace(120, 240, 150), np.linspace(1200, 2000, 60)]
    truth = bench_table(walls)
    found = mark_offsets(marked(truth, (1, 2), (-100.0, -100.0)), truth, BENCH)
    assert (found.first_s * 1e9, found.second_s * 1e9) == pytest.approx((-100, -100), abs=1e-6)


def test_offsets_need_twenty_hits_of_the_tune_split() -> None:
    walls = np.linspace(300, 2000, 20)
    truth = bench_table(walls)
    readings = marked(truth, (0, 1), (-60.0, -45.0))
    assert mark_offsets(readings, truth, BENCH).first_s == pytest.approx(-60e-9)
    readings.loc[0, "thickness_mm"] *= 1.5
    assert mark_offsets(readings, truth, BENCH) == MarkOffsets(0.0, 0.0, 19)
    prove = bench_table(walls, "prove")
    assert mark_offsets(marked(prove, (0, 1), (-60.0, -45.0)), prove, BENCH) == NO_OFFSETS


def test_a_detector_with_a_single_mark_has_no_offset_of_the_first() -> None:
    truth = bench_table(np.linspace(300, 2000, 50))
    readings = marked(truth, (0, 1), (0.0, 20.0)).assign(first_echo_us=np.nan)
    found = mark_offsets(readings, truth, BENCH)
    assert (found.first_s, found.second_s * 1e9) == (0.0, pytest.approx(20.0))


def test_truth_is_found_by_record_whatever_its_order() -> None:
    truth = bench_table(np.linspace(300, 2000, 50), "prove")
    readings = marked(truth, (0, 1), (0.0, 0.0))
    shuffled = truth.sample(frac=1, random_state=1)
    for table in (shuffled, shuffled.assign(split=pd.Categorical(shuffled["split"]))):
        assert (classify(readings, table, BENCH, NO_OFFSETS)["outcome"] == "hit").all()
    with pytest.raises(KeyError, match="record 49"):
        classify(readings, truth[:49], BENCH, NO_OFFSETS)


def test_one_row_does_not_change_another() -> None:
    truth = bench_table(np.linspace(120, 2000, 31), "prove")
    readings = marked(truth, (0, 1), (0.0, 0.0))
    readings["thickness_mm"] *= np.linspace(0.9, 2.1, 31)
    whole = classify(readings, truth, BENCH, NO_OFFSETS)
    apart = pd.concat([classify(readings[i : i + 1], truth, BENCH, NO_OFFSETS) for i in range(31)])
    pd.testing.assert_frame_equal(whole, apart)


def test_judge_takes_every_detector_by_its_own_offsets() -> None:
    truth = pd.concat(
        [bench_table(np.linspace(300, 2000, 50)), bench_table(np.linspace(300, 2000, 30), "prove")]
    )
    early = marked(truth, (0, 1), (-70.0, -70.0)).assign(detector="early")
    exact = marked(truth, (0, 1), (0.0, 0.0)).assign(detector="exact")
    readings = pd.concat([early, exact]).sort_values("record").reset_index(drop=True)
    outcomes, offsets = judge(readings, truth, BENCH)
    assert list(outcomes.columns) == list(columns.OUTCOMES)
    assert outcomes.index.equals(readings.index)
    assert offsets["early"].first_s == pytest.approx(-70e-9)
    assert offsets["exact"].first_s == pytest.approx(0.0)
    assert judge(readings[:0], truth, BENCH)[0].empty
