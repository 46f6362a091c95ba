"""Two trials compared: pairing, verdicts, telling records, refusals, the command."""

import json
import math
import re
from pathlib import Path

import numpy as np
import pytest
from echotrial.cli import main
from echotrial.compare import Margins, Rules, Verdict, compare, read_rules
from echotrial.compare.finding import Finding
from echotrial.compare.markdown import cell, markdown
from echotrial.compare.rates import discordant
from echotrial.compare.table import as_json, names_record, records_of
from echotrial.compare.verdict import decide, records_needed
from echotrial.errors import WrongQuestion

from tests.guard_power import PLANTED, found
from tests.paired_sides import SCORING, answer, side, truth_of

N = 3000
TRUTH = truth_of(N)
WALLS = np.flatnonzero(TRUTH["thickness_mm"].notna())
EMPTY = np.flatnonzero(TRUTH["thickness_mm"].isna())


def compared(before, after, *, truth=TRUTH, rules=None, origin="synthetic"):
    one = side("A", {"d": before}, truth, origin=origin)
    other = side("B", {"d": after}, truth, origin=origin)
    return compare(one, other, rules)


def finding(comparison, quantity):
    return next(j for j in comparison.verdicts[0].judged if j.finding.quantity == quantity)


def locks(records, error_um=300.0):
    direction = "thick" if error_um > 0 else "thin"
    return {
        "outcome": dict.fromkeys(records, "stray"),
        "direction": dict.fromkeys(records, direction),
        "error_um": dict.fromkeys(records, error_um),
    }


def test_identical_answers_are_the_same():
    found = compared(answer(TRUTH), answer(TRUTH))
    assert found.exit_code == 0
    assert found.questions == 0
    assert found.verdicts[0].verdict is Verdict.SAME
    assert f"every reading of {N} records is identical" in found.verdicts[0].reason
    assert found.records.empty
    hit = finding(found, "hit").finding
    assert (hit.p, hit.effect, hit.n) == (1, 0, WALLS.size)
    assert 0 < hit.interval.high < 0.002


def test_rounding_between_machines_is_no_difference():
    moved = answer(TRUTH, error_um=dict.fromkeys(WALLS, 0.02))
    assert compared(answer(TRUTH), moved).verdicts[0].verdict is Verdict.SAME
    moved = answer(TRUTH, error_um=dict.fromkeys(WALLS, 0.03))
    assert "identical" not in compared(answer(TRUTH), moved).verdicts[0].reason


def test_more_false_locks_are_worse_and_the_thickest_lie_is_named_first():
    dropped = dict.fromkeys(WALLS[100:140], "dropout")
    silent = dict.fromkeys(WALLS[100:140], np.nan)
    thick, thin = locks(WALLS[:30]), locks(WALLS[30:60], -200.0)
    changes = {key: thin[key] | thick[key] for key in thick}
    changes["outcome"] |= dropped
    changes["error_um"] |= silent
    found = compared(answer(TRUTH), answer(TRUTH, **changes))
    assert found.exit_code == 1
    assert found.verdicts[0].verdict is Verdict.WORSE
    for quantity in ("hit", "false lock", "thick false lock", "dropout"):
        assert finding(found, quantity).verdict is Verdict.WORSE, quantity
    lock = finding(found, "false lock").finding
    assert (lock.more, lock.fewer, lock.n) == (60, 0, WALLS.size)
    assert lock.effect == pytest.approx(60 / WALLS.size)
    kinds = list(dict.fromkeys(found.records["now"]))
    assert kinds == ["thick stray", "thin stray", "dropout"]
    # Equal harm and equal moves: the clearest echo is the most telling.
    assert found.records["echo_snr_db"].head(30).is_monotonic_decreasing
    first = found.records.iloc[0].to_dict()
    assert re.fullmatch(
        r"record \d+ \(0\.\d{3} mm, echo 36 dB\): hit \(\+0\.0 um\) -> thick stray \(\+300\.0 um\)",
        names_record(first),
    )


def test_the_other_way_round_is_better():
    found = compared(answer(TRUTH, **locks(WALLS[:60])), answer(TRUTH))
    assert found.exit_code == 0
    assert found.verdicts[0].verdict is Verdict.BETTER
    assert set(found.records["turn"]) == {"better"}


def test_significant_but_within_the_margin_is_no_regression():
    after = answer(TRUTH, error_um=dict.fromkeys(WALLS, 0.3))
    found = compared(answer(TRUTH), after)
    bias = finding(found, "bias")
    assert bias.finding.p_adjusted < 1e-6
    assert bias.finding.interval == pytest.approx((0.3, 0.3))
    assert bias.verdict is Verdict.SAME
    rules = Rules(default=Margins(bias=0.1e-6))
    assert finding(compared(answer(TRUTH), after, rules=rules), "bias").verdict is Verdict.WORSE


def test_more_than_the_margin_but_perhaps_chance_is_undecided():
    truth = truth_of(200)
    found = compared(answer(truth), answer(truth, **locks([1, 2, 3])), truth=truth)
    assert found.exit_code == 0
    lock = finding(found, "false lock")
    assert lock.finding.p == 0.25
    assert lock.verdict is Verdict.UNDECIDED
    assert lock.needed > 200
    assert found.verdicts[0].verdict is Verdict.UNDECIDED
    assert "records would decide" in found.verdicts[0].reason


def test_so_many_records_as_it_asks_for_do_decide():
    n, share = 200, 3 / 180
    pair = {"corpus": "c", "detector": "d", "quantity": "false lock", "unit": "1"}
    asked = records_needed(
        Finding(**pair, records=n, n=180, differing=3, before=0, after=share, effect=share,
                margin=0.0025, sd_one=math.sqrt(share - share**2)),
        0.05,
    )  # fmt: skip
    walls = asked * 9 // 10
    rng, decided = np.random.default_rng(0), 0
    for _ in range(200):
        seen = rng.binomial(walls, share)
        truth = Finding(**pair, records=asked, n=walls, differing=seen, before=0, after=0,
                        effect=seen / walls, margin=0.0025, p=2.0 ** (1 - seen),
                        p_adjusted=2.0 ** (1 - seen), worsening=True)  # fmt: skip
        decided += decide(truth, 0.05) is Verdict.WORSE
    assert 100 < decided < 195  # it promises 4 of 5, by the normal law


def test_silent_everywhere_has_no_errors_to_compare():
    silent = answer(
        TRUTH, outcome=dict.fromkeys(WALLS, "dropout"), error_um=dict.fromkeys(WALLS, np.nan)
    )
    found = compared(answer(TRUTH), silent)
    assert found.exit_code == 1
    bias = finding(found, "bias")
    assert bias.finding.n == 0
    assert (bias.verdict, bias.needed) == (Verdict.UNDECIDED, None)


def test_phantoms_are_counted_where_there_is_no_wall():
    some = EMPTY[:30]
    after = answer(
        TRUTH, outcome=dict.fromkeys(some, "phantom"), error_um=dict.fromkeys(some, np.nan)
    )
    found = compared(answer(TRUTH), after)
    assert finding(found, "phantom").finding.n == EMPTY.size
    assert finding(found, "phantom").verdict is Verdict.WORSE
    assert finding(found, "false lock").finding.differing == 0


def test_walls_outside_the_range_are_left_out():
    truth = TRUTH.assign(thickness_mm=TRUTH["thickness_mm"] + 5)
    found = compared(answer(truth), answer(truth, **locks(WALLS[:500])), truth=truth)
    assert finding(found, "false lock").finding.n == 0


def test_undecided_truth_is_left_out_of_rates():
    after = answer(TRUTH, outcome=dict.fromkeys(WALLS[:100], "undecided"))
    hit = finding(compared(answer(TRUTH), after), "hit").finding
    assert (hit.n, hit.differing) == (WALLS.size - 100, 0)


def test_newly_failing_and_fixed():
    broken = answer(TRUTH, outcome={5: "crashed"}, error_um={5: np.nan})
    found = compared(answer(TRUTH), broken)
    assert found.verdicts[0].verdict is Verdict.NEWLY_FAILING
    assert "fails on 1 more records" in found.verdicts[0].reason
    assert found.exit_code == 1
    found = compared(broken, answer(TRUTH))
    assert found.verdicts[0].verdict is Verdict.FIXED
    assert found.exit_code == 0


def test_a_bias_that_changes_sign_is_not_a_better_one():
    before = answer(TRUTH, error_um=dict.fromkeys(WALLS, 2.0))
    after = answer(TRUTH, error_um=dict.fromkeys(WALLS, -2.0))
    assert finding(compared(before, after), "bias").verdict is Verdict.WORSE
    nearer = answer(TRUTH, error_um=dict.fromkeys(WALLS, -1.0))
    assert finding(compared(before, nearer), "bias").verdict is Verdict.BETTER


@pytest.mark.parametrize("planted", PLANTED[:-1], ids=lambda p: p.quantity)
def test_planted_regressions_are_found(planted):
    result = found(planted, 1)
    assert (result.worse, result.named) == (1, 1)


def test_new_noise_alone_is_no_regression():
    assert found(PLANTED[-1], 3, 1000).worse == 0


# -- specimens ------------------------------------------------------------------------------------


def test_traces_of_one_specimen_are_no_independent_evidence():
    truth = truth_of(300, specimens=6)
    one = np.flatnonzero((truth["specimen"] == "piece 3") & truth["thickness_mm"].notna())
    after = answer(truth, **locks(one))
    alone = finding(compared(answer(truth), after, truth=truth), "false lock")
    assert alone.verdict is Verdict.WORSE
    clustered = finding(
        compared(answer(truth), after, truth=truth, origin="recorded"), "false lock"
    )
    assert clustered.verdict is Verdict.UNDECIDED
    assert clustered.finding.p == 1
    assert clustered.finding.differing == 1
    assert clustered.finding.interval.high > 2 * alone.finding.interval.high


def test_specimens_of_one_record_each_are_records():
    change = np.zeros(100)
    change[:7], change[7:9] = 1, -1
    assert discordant(100, 7, 2, change, np.arange(100)) == pytest.approx((100, 7, 2), rel=0.02)
    nothing = discordant(100, 0, 0, np.zeros(100), np.repeat(np.arange(5), 20))
    assert nothing == (5, 0, 0)


# -- what cannot be compared ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("other", "why"),
    [
        ({"identity": "fedcba9876543210"}, "another corpus identity: 0123456789 and fedcba9876"),
        (
            {"scoring": SCORING | {"tolerance": {"relative": "2 %", "absolute": "5 um"}}},
            "another tolerance: relative 1 %, absolute 5 um and relative 2 %, absolute 5 um",
        ),
        (
            {"scoring": SCORING | {"wall_range": ["0.3 mm", "2 mm"]}},
            "another wall range: 0.2 mm to 2 mm and 0.3 mm to 2 mm",
        ),
        ({"name": "other"}, "only in"),
    ],
)
def test_another_corpus_is_not_comparable_and_named(other, why):
    a = side("A", {"d": answer(TRUTH)}, TRUTH)
    b = side("B", {"d": answer(TRUTH)}, TRUTH, **other)
    found = compare(a, b)
    assert found.exit_code == 3
    assert why in found.verdicts[0].reason
    assert {v.verdict for v in found.verdicts} == {Verdict.NOT_COMPARABLE}


def test_other_records_are_not_comparable():
    half, rest = TRUTH.iloc[: N // 2], TRUTH.iloc[N // 2 :].reset_index(drop=True)
    a, b = (side(n, {"d": answer(t)}, t) for n, t in (("A", half), ("B", rest)))
    assert "1500 and 1500 prove records, none in common" in compare(a, b).verdicts[0].reason
    b = side("B", {"d": answer(TRUTH)}, TRUTH)
    assert "1500 and 3000 prove records, 1500 in common" in compare(a, b).verdicts[0].reason


def test_a_missing_detector_is_not_comparable_and_the_rest_is():
    a = side("A", {"d": answer(TRUTH), "gone": answer(TRUTH)}, TRUTH)
    found = compare(a, side("B", {"d": answer(TRUTH)}, TRUTH))
    assert found.exit_code == 3
    by_name = {v.detector: v for v in found.verdicts}
    assert by_name["gone"].reason == "'gone' did not run in B"
    assert by_name["d"].verdict is Verdict.SAME


def test_worse_outweighs_not_comparable():
    a = side("A", {"d": answer(TRUTH), "gone": answer(TRUTH)}, TRUTH)
    found = compare(a, side("B", {"d": answer(TRUTH, **locks(WALLS[:60]))}, TRUTH))
    assert found.exit_code == 1


def test_detectors_of_two_names_can_be_paired():
    a = side("A", {"old": answer(TRUTH)}, TRUTH)
    b = side("B", {"new": answer(TRUTH, **locks(WALLS[:60]))}, TRUTH)
    found = compare(a, b, renamed={"old": "new"})
    assert (found.verdicts[0].detector, found.exit_code) == ("old > new", 1)


def test_another_detector_asked_about_costs_no_power_where_it_did_not_change():
    after = answer(TRUTH, **locks(WALLS[:8]))
    alone = compared(answer(TRUTH), after)
    more = {f"still {i}": answer(TRUTH) for i in range(20)}
    among = compare(
        side("A", {"d": answer(TRUTH), **more}, TRUTH), side("B", {"d": after, **more}, TRUTH)
    )
    assert finding(alone, "hit").finding.p_adjusted == finding(among, "hit").finding.p_adjusted
    assert alone.questions == among.questions


# -- margins --------------------------------------------------------------------------------------

MARGINS = """\
level = "1 %"
[default]
hit = "1 %"
[[exception]]
detector = "d"
hit = "5 %"
[[exception]]
corpus = "made"
bias = "2 um"
"""


def test_margins_by_detector_and_corpus(tmp_path: Path):
    path = tmp_path / "margins.toml"
    path.write_text(MARGINS, encoding="utf-8")
    rules = read_rules(path)
    assert rules.level == pytest.approx(0.01)
    assert rules.of("other", "elsewhere").hit == pytest.approx(0.01)
    assert rules.of("d", "elsewhere").hit == pytest.approx(0.05)
    assert rules.of("d", "made") == Margins(hit=0.05, bias=2e-6)
    assert rules.default.false_lock == 0.0025
    with pytest.raises(WrongQuestion, match="'d', which is not compared"):
        rules.check(["e"], ["made"], "margins.toml")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('[default]\nhits = "1 %"', "unknown key 'hits': did you mean 'hit'"),
        ('[[exception]]\ndetectr = "d"', "unknown key 'detectr'"),
        ("[default]\nbias = 1", "no unit"),
        ('[default]\nhit = "-1 %"', "negative"),
        ('level = "80 %"', "level of significance"),
        ("[default", "not valid TOML"),
    ],
)
def test_margins_that_cannot_be_are_refused(tmp_path: Path, text, message):
    path = tmp_path / "margins.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(WrongQuestion, match=message):
        read_rules(path)


# -- what is printed ------------------------------------------------------------------------------


def test_json_has_everything_and_no_nan():
    found = compared(answer(TRUTH), answer(TRUTH, **locks(WALLS[:60])))
    data = json.loads(json.dumps(as_json(found), allow_nan=False))
    assert data["exit_code"] == 1
    assert data["verdicts"][0]["verdict"] == "worse"
    quantities = [f["quantity"] for f in data["verdicts"][0]["findings"]]
    assert quantities == ["hit", "false lock", "thick false lock", "dropout", "phantom", "bias",
                          "median error", "spread"]  # fmt: skip
    assert len(data["records"]) == 60


def test_markdown_survives_hostile_names():
    assert cell("a|b `c`\n<d>") == r"a\|b \`c\` \<d>"
    found = compared(answer(TRUTH), answer(TRUTH, **locks(WALLS[:60])))
    text = markdown(found)
    rows = [line for line in text.splitlines() if line.startswith("| made")]
    assert len(rows) == 1
    assert "worse" in rows[0]
    assert "thick stray" in text


def test_records_of_a_verdict_are_its_own():
    a = side("A", {"d": answer(TRUTH), "e": answer(TRUTH)}, TRUTH)
    b = side("B", {"d": answer(TRUTH, **locks(WALLS[:3])), "e": answer(TRUTH)}, TRUTH)
    found = compare(a, b)
    assert [len(records_of(found, v)) for v in found.verdicts] == [3, 0]


# -- the command ----------------------------------------------------------------------------------


def command(*arguments: str) -> int:
    with pytest.raises(SystemExit) as stopped:
        main(["compare", *arguments])
    return int(str(stopped.value.code))


@pytest.fixture(scope="module")
def trials(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    folder = tmp_path_factory.mktemp("trials")
    found = []
    for name, level in (("one", "0.15"), ("two", "0.8")):
        with pytest.raises(SystemExit):
            main(["run", "stainless-tube-20mhz", "--size", "smoke", "--detector", "threshold",
                  "--set", f"threshold.level_relative={level}", "--workers", "0",
                  "--out", str(folder / name)])  # fmt: skip
        found.append(str(folder / name))
    return found[0], found[1]


def test_command_compares_two_trials(trials, capsys):
    assert command(trials[0], trials[0]) == 0
    capsys.readouterr()
    assert command(*trials) == 1
    shown = capsys.readouterr().out
    assert max(map(len, shown.splitlines())) <= 100
    assert "threshold: setting level_relative 0.15 -> 0.8" in shown
    assert "worse: hit" in shown
    assert "record " in shown
    assert command(*trials, "--json") == 1
    assert json.loads(capsys.readouterr().out)["exit_code"] == 1
    assert command(*trials, "--markdown") == 1
    assert capsys.readouterr().out.startswith("## Comparison")


def test_command_refuses_what_it_cannot_compare(trials, tmp_path: Path, capsys):
    text = (Path(trials[0]) / "trial.toml").read_text(encoding="utf-8")
    (tmp_path / "trial.toml").write_text(text.replace("complete = true", "complete = false"))
    assert command(trials[0], str(tmp_path)) == 3
    assert "incomplete" in capsys.readouterr().err
    assert command(trials[0], str(tmp_path / "none")) == 2
    assert command(trials[0], trials[1], "--json", "--markdown") == 2
    assert command(trials[0], trials[1], "--pair", "threshold") == 2
    assert command(trials[0], trials[1], "--pair", "threshold=correlation") == 3
