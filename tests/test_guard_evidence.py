"""What benchmarks/evidence claims of the guard, on fewer runs; and that it is not out of date."""

from pathlib import Path

import pytest
from echotrial import host as hosts
from echotrial.compare import Rules, read_rules

from tests import guard_size, planted_bugs
from tests.guard_power import PLANTED

ROOT = Path(__file__).parent.parent
EVIDENCE = ROOT / "benchmarks" / "evidence"


@pytest.mark.parametrize("name", ["guard-size", "guard-power", "guard-planted-bugs"])
def test_evidence_says_how_it_was_made(name):
    text = (EVIDENCE / f"{name}.md").read_text(encoding="utf-8")
    assert "Made by `python -m tests." in text
    assert " NO " not in text


def test_evidence_of_power_is_about_these_regressions():
    text = (EVIDENCE / "guard-power.md").read_text(encoding="utf-8")
    assert all(p.what in text for p in PLANTED)


def test_the_projects_margins_are_the_defaults():
    assert read_rules(ROOT / ".ci" / "guard-margins.toml") == Rules()


@pytest.mark.slow
def test_no_false_alarms_where_only_the_noise_is_new():
    found = guard_size.count("shipped", guard_size.shipped("metal", 200), 20)
    assert found.significant <= found.allowed


@pytest.mark.slow
def test_every_planted_bug_changes_thickness_and_is_caught_with_a_record(tmp_path):
    for case in planted_bugs.cases(planted_bugs.smoke(hosts.load()), tmp_path):
        assert case.changed, case.bug.what
        assert case.caught, case.bug.what
        assert "record " in case.named, case.bug.what
