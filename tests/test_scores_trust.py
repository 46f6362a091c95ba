"""Who can be trusted: each condition at its edge, ties, and what is too little to say.

Edges come from `scipy.stats.binomtest`, not from the project's bounds.
"""

from collections.abc import Callable

import numpy as np
import pytest
from echotrial.scores import Answer, Limits, Verdict, panel_of, trust
from echotrial.scores.sampling import Sampling
from echotrial.scores.verdict import strata_of
from scipy import stats

from tests.planted import DETECTORS, SETUP, Read, Truth, oracle, scored, truth_table

FREE = Sampling()
PLENTY = truth_table(tune=0)  # 4500 walls, 300 dry, 100 wet tips
Change = Callable[[Truth, np.ndarray], None]


def oracle_with(change: Change) -> Read:
    def read(truth: Truth, rng: np.random.Generator) -> np.ndarray:
        found = oracle(truth, rng)
        change(truth, found)
        return found

    return read


def silent_every(step: int) -> Read:
    def change(truth: Truth, read: np.ndarray) -> None:
        read[::step] = np.nan

    return oracle_with(change)


def verdict(detectors: dict[str, Read], truth: Truth = PLENTY, **more: object) -> Verdict:
    return trust(panel_of(scored(truth, detectors), SETUP), FREE, **more)  # type: ignore[arg-type]


def most_events(n: int, limit: float, alpha: float) -> int:
    """Largest number of events out of n whose exact upper bound stays below a limit."""
    k = 0
    while stats.binomtest(k, n, alternative="less").proportion_ci(1 - alpha, "exact").high < limit:
        k += 1
    return k - 1


@pytest.mark.parametrize(
    ("walls", "strata"), [(600, 1), (1199, 1), (1200, 3), (3599, 6), (4500, 7), (9000, 7)]
)
def test_six_bins_at_most_of_600_walls_at_least(walls: int, strata: int) -> None:
    panel = panel_of(scored(truth_table(walls, tune=0), {"oracle": oracle}), SETUP)
    found = strata_of(panel, Limits())
    assert len(found) == strata
    assert sum(s.rows.sum() for s in found[1:]) in (0, walls)
    assert min(s.rows.sum() for s in found) >= 599  # quantiles may cut one off a bin


def test_the_planted_detectors() -> None:
    found = verdict(dict(DETECTORS))
    assert (found.answer, found.detector) == (Answer.TRUST, "oracle")
    ranks = {a.detector: a.rank for a in found.assessments if a.eligible}
    assert ranks == {"oracle": 1, "oracle-plus-2um": 2}
    assert found.sentence.startswith("planted: trust oracle: on 4500 walls in 7 strata")


def test_silence_never_wins_and_neither_does_the_loudest() -> None:
    found = verdict({name: DETECTORS[name] for name in ("silent", "nominal", "random", "half")})
    assert (found.answer, found.detector) == (Answer.NONE, None)
    assert "none of these can be trusted" in found.sentence
    silent = next(a for a in found.assessments if a.detector == "silent")
    assert silent.failures == ("hits 0.0% or more, 50% wanted",)


def locks_in_the_thinnest(count: int, factor: float) -> Read:
    def change(truth: Truth, read: np.ndarray) -> None:
        read[:count] *= factor

    return oracle_with(change)


def test_false_locks_of_one_stratum_at_the_edge() -> None:
    """Thin strays, so that only the false-lock limit is at stake: 750 walls, 5 % / 7."""
    most = most_events(750, 0.01, 0.05 / 7)
    assert most == 1
    found = verdict({"a": locks_in_the_thinnest(most, 0.5)})
    assert found.detector == "a"
    failed = verdict({"a": locks_in_the_thinnest(most + 1, 0.5)}).assessments[0]
    assert len(failed.failures) == 1
    assert failed.failures[0].startswith("false locks 2 of 750 (0.5 to 0.75 mm)")
    assert failed.false_lock_in == "0.5 to 0.75 mm"


def thick_spread(count: int) -> Read:
    def change(truth: Truth, read: np.ndarray) -> None:
        read[np.linspace(0, 4499, count).astype(int)] *= 2

    return oracle_with(change)


def test_thick_false_locks_have_their_own_limit() -> None:
    most = most_events(4500, 0.002, 0.05)
    limits = Limits(thick=0.002, false_lock=0.5)
    assert verdict({"a": thick_spread(most)}, limits=limits).detector == "a"
    failed = verdict({"a": thick_spread(most + 1)}, limits=limits).assessments[0]
    assert [f.split(" up to")[0] for f in failed.failures] == ["thick false locks"]


def phantoms(count: int, kind: str) -> Read:
    def change(truth: Truth, read: np.ndarray) -> None:
        rows = np.flatnonzero(truth["kind"] == kind)[:count]
        read[rows] = 0.8

    return oracle_with(change)


def test_phantoms_on_dry_records_at_the_edge_and_wet_tips_apart() -> None:
    most = most_events(300, 0.05, 0.05)
    assert verdict({"a": phantoms(most, "dry")}).detector == "a"
    failed = verdict({"a": phantoms(most + 1, "dry")}).assessments[0]
    assert [f.split(" up to")[0] for f in failed.failures] == ["phantoms on dry records"]
    assert verdict({"a": phantoms(100, "wet tip")}).detector == "a"


def test_half_of_the_walls_must_be_hit() -> None:
    """2306 of 4500 have an exact lower bound of 50.01 %, 2305 of 49.99 % or so."""
    enough = next(
        k
        for k in range(2250, 4500)
        if stats.binomtest(k, 4500, alternative="greater").proportion_ci(0.95, "exact").low >= 0.5
    )

    def hits(count: int) -> Read:
        def change(truth: Truth, read: np.ndarray) -> None:
            read[np.random.default_rng(1).permutation(4500)[count:]] = np.nan

        return oracle_with(change)

    assert verdict({"a": hits(enough)}).detector == "a"
    assert verdict({"a": hits(enough - 1)}).detector is None


def test_best_in_the_worst_stratum_wins() -> None:
    """Both are silent on 450 walls; `even` all over, `lopsided` on the thinnest only."""

    def thinnest(truth: Truth, read: np.ndarray) -> None:
        read[:450] = np.nan

    found = verdict({"lopsided": oracle_with(thinnest), "even": silent_every(10)})
    assert found.detector == "even"
    by_name = {a.detector: a for a in found.assessments}
    assert by_name["lopsided"].worst_hit_in == "0.5 to 0.75 mm"
    assert by_name["lopsided"].worst_hit < 0.4 < 0.85 < by_name["even"].worst_hit
    assert by_name["lopsided"].rank == 2


def off_by(um: float) -> Read:
    def change(truth: Truth, read: np.ndarray) -> None:
        read += um / 1e3

    return oracle_with(change)


def test_ties_are_settled_by_error_then_by_speed() -> None:
    pair = {"coarse": off_by(3.0), "fine": off_by(1.0)}
    assert verdict(pair, seconds={"coarse": 1e-6, "fine": 1e-3}).detector == "fine"
    twins = {"slow": off_by(1.0), "fast": off_by(-1.0)}
    assert verdict(twins, seconds={"slow": 2.0, "fast": 1.0}).detector == "fast"
    assert verdict(twins, seconds={"slow": 1.2, "fast": 1.0}).detector == "slow"  # alike: the first


def test_a_lead_that_may_be_chance_is_a_tie() -> None:
    """One hit more in 4500 is chance (McNemar, 1 against 0): the finer one wins."""

    def one_silent(truth: Truth, read: np.ndarray) -> None:
        read[10] = np.nan

    found = verdict({"coarse": off_by(3.0), "fine": oracle_with(one_silent)})
    assert found.detector == "fine"


def test_order_of_detectors_does_not_matter() -> None:
    forward = verdict(dict(DETECTORS))
    back = verdict(dict(reversed(DETECTORS.items())))
    assert forward.sentence == back.sentence
    assert sorted(map(repr, forward.assessments)) == sorted(map(repr, back.assessments))


@pytest.mark.parametrize(
    ("truth", "words"),
    [
        (truth_table(walls=599, tune=0), "599 walls in range, 600 wanted"),
        (truth_table(walls=600, dry=149, tune=0), "149 dry records, 150 wanted"),
    ],
)
def test_too_few_records(truth: Truth, words: str) -> None:
    found = verdict(dict(DETECTORS), truth)
    assert (found.answer, found.detector) == (Answer.TOO_FEW, None)
    assert found.sentence == f"planted: not enough records to say ({words})."
    assert all(a.rank == 0 for a in found.assessments)


def test_one_specimen_is_too_little() -> None:
    panel = panel_of(scored(PLENTY, {"oracle": oracle}), SETUP)
    found = trust(panel, Sampling(np.zeros(len(panel), dtype=np.intp)))
    assert found.answer is Answer.TOO_FEW
    assert "one specimen" in found.sentence


def test_few_specimens_guarantee_little() -> None:
    """4500 perfect traces of 45 specimens are 45 hits and no more: no 1 % from that."""
    panel = panel_of(scored(PLENTY, {"oracle": oracle}), SETUP)
    found = trust(panel, Sampling(np.arange(len(panel)) // 100))
    assert found.answer is Answer.NONE
    whole = 1 - stats.binomtest(45, 45, alternative="greater").proportion_ci(0.95, "exact").low
    assert found.assessments[0].false_lock >= whole


def test_walls_outside_the_range_do_not_count() -> None:
    """Lying on thinner walls only is scored apart."""
    truth = PLENTY.copy()
    truth.loc[truth.index[:200], "thickness_mm"] = 0.3

    def change(truth: Truth, read: np.ndarray) -> None:
        read[:200] = 0.6

    assert verdict({"a": oracle_with(change)}, truth).detector == "a"


def test_strata_are_named_in_the_users_unit() -> None:
    inches = SETUP.model_copy(update={"length_unit": "in"})
    found = strata_of(panel_of(scored(PLENTY, {"oracle": oracle}), inches), Limits())
    assert found[1].name == "0.0197 to 0.0295 in"  # 0.5 and 0.75 mm
