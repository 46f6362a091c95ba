"""The performance gate fails where a ratio has grown, and says what is missing."""

import pytest

from benchmarks import gate
from benchmarks.blocks import put

KNOWN = {"margin": 2.0, "ratios": {"fit / pair": 30.0, "copy / copy": 0.01}}


def test_ratios_within_the_margin_pass():
    found = gate.compared({"fit / pair": 59.9, "copy / copy": 0.02}, KNOWN)
    assert found.exit_code == 0
    assert "no ratio has grown" in found.text


def test_a_part_that_has_become_slower_fails_and_is_named():
    found = gate.compared({"fit / pair": 60.1, "copy / copy": 0.01}, KNOWN)
    assert found.exit_code == 1
    assert "slower by more than 2 times: fit / pair" in found.text
    assert "SLOWER" in next(row for row in found.text.splitlines() if row.startswith("fit"))


@pytest.mark.parametrize("before", [0.001, 0.03, 0.19])
def test_small_ratios_may_grow_no_more_than_others(before):
    known = {"margin": 2.0, "ratios": {"small / loop": before}}
    assert gate.compared({"small / loop": 1.9 * before}, known).exit_code == 0
    assert gate.compared({"small / loop": 2.1 * before}, known).exit_code == 1


def test_a_ratio_that_was_rounded_to_nothing_is_compared_with_the_last_digit():
    known = {"margin": 2.0, "ratios": {"small / loop": 0.0}}
    assert gate.compared({"small / loop": 0.0004}, known).exit_code == 0
    assert gate.compared({"small / loop": 0.003}, known).exit_code == 1


@pytest.mark.parametrize("ratio", [float("nan"), float("inf")])
def test_a_ratio_that_is_no_number_fails(ratio):
    assert gate.compared({"fit / pair": ratio, "copy / copy": 0.01}, KNOWN).exit_code == 1


def test_what_is_not_measured_is_no_pass():
    found = gate.compared({"fit / pair": 30.0}, KNOWN)
    assert found.exit_code == 3
    assert "not measured: copy / copy" in found.text


def test_a_new_part_is_shown_and_passes():
    found = gate.compared({**KNOWN["ratios"], "new / pair": 5.0}, KNOWN)
    assert found.exit_code == 0
    assert "new" in found.text


def test_what_is_accepted_is_what_is_compared_with(tmp_path):
    file = tmp_path / "ratios.toml"
    gate.accept({"fit / obspy's picker": 1.2345}, file)
    ratios = {"fit / obspy's picker": 1.234}
    assert gate.committed(file) == {"margin": gate.MARGIN, "ratios": ratios}


def test_the_committed_file_can_be_compared_with_itself():
    known = gate.committed()
    assert gate.compared(known["ratios"], known).exit_code == 0
    for name, ratio in known["ratios"].items():
        grown = {**known["ratios"], name: 1.25 * known["margin"] * ratio}
        assert gate.compared(grown, known).exit_code == 1


def test_a_block_is_replaced_between_its_marks(tmp_path):
    page = tmp_path / "page.md"
    page.write_text("a\n<!-- x: begin -->\nold\n<!-- x: end -->\nb\n")
    put("x", r"new \1", page)
    assert page.read_text() == "a\n<!-- x: begin -->\nnew \\1\n<!-- x: end -->\nb\n"
    with pytest.raises(ValueError, match="0 times"):
        put("y", "", page)
