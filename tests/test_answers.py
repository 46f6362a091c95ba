"""What ``--json`` prints keeps a form with a name, a version and a JSON Schema, in every command.

`jsonschema`, an independent reader of JSON Schema (draft 2020-12), is the judge.
"""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import jsonschema
import numpy as np
import pytest
from echotrial import host
from echotrial.answers.form import FORMS, printed, schema
from echotrial.choose.method import Method, write_method
from echotrial.cli import cli, main
from pydantic import ValidationError

from tests.report_trials import TOLD, corpus_at
from tests.test_choose import BAD, PLATE
from tests.test_measure import RATE, SETUP, SOURCES, SPIKES, corpus_of, recorded, spikes

#: Every key of every form. A key that goes, or changes its meaning, makes the next version.
FIELDS = Path(__file__).with_name("answer_forms.txt")
HERE = Path(__file__).parent


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A corpus, two trials of it, a set-up and a method."""
    folder = tmp_path_factory.mktemp("answers")
    corpus_at(folder / "made", 96, prove=72)
    (folder / "plate.toml").write_text(PLATE, encoding="utf-8")
    (folder / "bad.py").write_text(BAD, encoding="utf-8")
    (folder / "spikes.py").write_text(SPIKES, encoding="utf-8")
    detector = host.load([folder / "spikes.py"], use_entry_points=False).detectors["spikes"]
    method = Method(
        "invented", SETUP, RATE, "spikes", detector.version, detector.source_digest,
        {"level": 0.2}, 2, tuple((w, SOURCES) for w in (0.5e-3, 1.75e-3, 3e-3)),
        None, None, {"sentence": "invented for a test"},
    )  # fmt: skip
    write_method(method, folder / "method.toml")
    blocks = [0.5, 0.5, 3.0, 3.0]
    corpus_of(folder / "blocks", recorded(folder / "bench", blocks, spikes(blocks)))
    np.save(folder / "new.npy", spikes([1.2, np.nan]))
    return folder


def told(form: str, capsys: pytest.CaptureFixture[str], *arguments: object, code: int = 0) -> Any:
    """Run a command with --json; its output has to be of the form."""
    with pytest.raises(SystemExit) as stopped:
        main([*map(str, arguments), "--json"])
    said = capsys.readouterr()
    assert int(stopped.value.code or 0) == code, said.err
    data = json.loads(said.out)
    jsonschema.validate(data, schema(form), jsonschema.Draft202012Validator)
    assert data["schema"] == f"echotrial.{form}/1"
    return data


def run_of(made: Path, out: Path) -> list[object]:
    return ["run", made / "made", "--plugin", TOLD, "--no-entry-points", "--workers", 0,
            "--out", out]  # fmt: skip


# -- the forms ------------------------------------------------------------------------------------


def commands(group: click.Group, words: str = "") -> Iterator[tuple[str, click.Command]]:
    for name in group.list_commands(click.Context(group)):
        found = group.get_command(click.Context(group), name)
        if isinstance(found, click.Group):
            yield from commands(found, f"{words}{name} ")
        elif found is not None:
            yield f"{words}{name}", found


def test_every_command_that_prints_json_has_a_form() -> None:
    printing = {
        name for name, c in commands(cli) if any("--json" in p.opts for p in c.params)
    }  # fmt: skip
    named = {word for _, _, words in FORMS.values() for word in words.split("; ")}
    assert {" ".join(w for w in word.split() if not w.isupper()) for word in named} == printing


def test_what_answers_a_question_answers_it_as_json_too() -> None:
    """Commands without --json make files, or ask and answer one line."""
    silent = {name for name, c in commands(cli) if not any("--json" in p.opts for p in c.params)}
    assert silent == {
        "corpus build", "corpus import", "corpus fetch", "setup new", "detector new", "schema",
    }  # fmt: skip


@pytest.mark.parametrize("form", FORMS)
def test_a_schema_is_one_and_says_what_it_describes(form: str, capsys) -> None:
    made = schema(form)
    jsonschema.Draft202012Validator.check_schema(made)
    assert made["properties"]["schema"]["const"] == f"echotrial.{form}/1"
    assert set(made["required"]) == set(made["properties"])
    assert made["additionalProperties"] is False
    assert made["description"]
    with pytest.raises(SystemExit) as stopped:
        main(["schema", form])
    assert stopped.value.code == 0
    assert json.loads(capsys.readouterr().out) == made


def keys(node: dict[str, Any], whole: dict[str, Any], path: str) -> Iterator[str]:
    """Paths of all keys of a schema."""
    if "$ref" in node:
        yield from keys(whole["$defs"][node["$ref"].split("/")[-1]], whole, path)
    for kind in node.get("anyOf", []):
        yield from keys(kind, whole, path)
    for name, inner in node.get("properties", {}).items():
        yield f"{path}.{name}"
        yield from keys(inner, whole, f"{path}.{name}")
    if isinstance(node.get("items"), dict):
        yield from keys(node["items"], whole, f"{path}[]")
    if isinstance(node.get("additionalProperties"), dict):
        yield from keys(node["additionalProperties"], whole, f"{path}{{}}")


def test_no_form_loses_a_key_without_a_new_version() -> None:
    now = [key for form in FORMS for key in keys(schema(form), schema(form), f"{form}/1")]
    before = FIELDS.read_text(encoding="utf-8").split()
    lost = sorted(set(before) - set(now))
    assert not lost, f"make the next version of the form: {lost}"
    new = sorted(set(now) - set(before))
    assert not new, f"add to {FIELDS.name}: {new}"


def test_what_has_another_form_is_never_printed() -> None:
    with pytest.raises(ValidationError):
        printed("materials", {"materials": [], "colour": "red"})


def test_an_unknown_form_is_answered_with_the_nearest(capsys) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["schema", "comparsion"])
    assert stopped.value.code == 2
    assert "did you mean 'comparison'?" in capsys.readouterr().err


# -- the commands ---------------------------------------------------------------------------------


def test_run_show_and_compare(made: Path, tmp_path: Path, capsys) -> None:
    ran = told("trial", capsys, *run_of(made, tmp_path / "a"))
    assert ran == told("trial", capsys, "show", tmp_path / "a")
    assert ran == json.loads((tmp_path / "a" / "scores.json").read_text(encoding="utf-8"))
    record = told("record", capsys, "show", tmp_path / "a", 3, "--out", tmp_path / "3.png")
    assert record["record"] == 3
    told("trial", capsys, *run_of(made, tmp_path / "b"), "--records", 60)
    found = told("comparison", capsys, "compare", tmp_path / "a", tmp_path / "b", code=3)
    assert {v["verdict"] for v in found["verdicts"]} == {"not comparable"}
    paired = "compare", tmp_path / "a", tmp_path / "a", "--pair", "told=mute"
    found = told("comparison", capsys, *paired, code=1)
    assert found["exit_code"] == 1
    assert any(v["findings"] for v in found["verdicts"])
    assert found["records"]


def test_guard(made: Path, tmp_path: Path, capsys) -> None:
    asked = ["guard", made / "made", "--baseline", tmp_path / "b.toml", "--plugin", TOLD,
             "--no-entry-points", "--workers", 0, "--detector", "told"]  # fmt: skip
    found = told("guard", capsys, *asked, "--accept", "--because", "the first")
    assert found["accepted"]["records"] == 72
    found = told("guard", capsys, *asked)
    assert found["comparison"]["verdicts"][0]["verdict"] == "same within the margin"


def test_corpora(made: Path, tmp_path: Path, capsys) -> None:
    listed = told("corpora", capsys, "corpus", "list")
    assert "stainless-tube-20mhz" in {o["name"] for o in listed["specs"] if o["default"]}
    shown = told("corpus", capsys, "corpus", "show", made / "made", "--out", tmp_path / "c.html")
    assert (shown["prove"], shown["tune"]) == (72, 24)
    assert 0.4 <= shown["thickness_mm"]["low"] < shown["thickness_mm"]["high"] <= 2.0
    checked = told("corpus-check", capsys, "corpus", "check", made / "made", made / "blocks",
                   code=1)["corpora"]  # fmt: skip
    assert [c["name"] for c in checked] == ["made", "blocks"]
    assert any(f["wrong"] for c in checked for f in c["findings"])


def test_detectors(tmp_path: Path, capsys) -> None:
    listed = told("detectors", capsys, "detector", "list", "--plugin", TOLD)
    assert {"told", "threshold"} <= {d["name"] for d in listed["detectors"]}
    bad = "detector", "check", "mute", "--plugin", HERE / "bad_detectors.py"
    bad += "--out", tmp_path
    (found,) = told("contract", capsys, *bad, code=1)["detectors"]
    assert (found["name"], found["keeps"]) == ("mute", False)


def test_set_ups_and_materials(made: Path, capsys) -> None:
    found = told("feasibility", capsys, "setup", "show", made / "plate.toml")
    assert found["wall_range_mm"] == pytest.approx([0.8, 2])
    echoes = found["walls"][-1]["echoes"]
    # 2 d / v between one echo and the next; 5920 m/s is the table's carbon steel
    apart = np.diff([e["at_us"] for e in echoes])
    expected = 2e3 * found["walls"][-1]["thickness_mm"] / found["velocity_m_s"]
    assert np.median(apart) == pytest.approx(expected, rel=0.01)
    rows = told("materials", capsys, "setup", "materials")["materials"]
    assert "polystyrene" in {r["name"] for r in rows}


def test_choose_says_that_nothing_can_be_trusted(made: Path, tmp_path: Path, capsys) -> None:
    asked = ["choose", made / "plate.toml", "--plugin", made / "bad.py", "--detector", "always",
             "--workers", 0, "--prove", 100, "--tune", 60, "--out", tmp_path / "out"]  # fmt: skip
    found = told("choice", capsys, *asked, code=1)
    assert found["detector"] is None
    assert found["method"] is None
    assert found["verdict"]["answer"] == "not enough records to say"
    assert found["searched"][0]["finalist"]


@pytest.mark.slow
def test_choose_with_a_method_and_with_advice(made: Path, tmp_path: Path, capsys) -> None:
    asked = ["choose", made / "plate.toml", "--plugin", made / "bad.py", "--workers", 0,
             "--prove", 2000]  # fmt: skip
    good = "--detector", "correlation", "--tune", 200, "--out", tmp_path / "good"
    assert Path(told("choice", capsys, *asked, *good)["method"]).is_file()
    bad = "--detector", "always", "--tune", 60, "--out", tmp_path / "bad"
    assert len(told("choice", capsys, *asked, *bad, code=1)["advice"]) > 2


def test_calibrate_and_measure(made: Path, tmp_path: Path, capsys) -> None:
    plugin, out = ("--plugin", made / "spikes.py"), tmp_path / "calibrated.toml"
    read = "measure", made / "method.toml", made / "new.npy", "--sample-rate", "1000 MHz"
    plain = told("measurement", capsys, *read, *plugin)
    assert not plain["calibrated"]
    assert plain["readings"][0]["expanded_mm"] is None
    asked = "calibrate", made / "method.toml", made / "blocks", "--out", out, *plugin
    found = told("calibration", capsys, *asked)
    assert found["velocity_m_s"] == pytest.approx(5750, rel=1e-3)  # of the invented traces
    assert found["zero_offset_ns"] == pytest.approx(20, abs=1)
    assert found["method"] == str(out)
    read = "measure", out, made / "new.npy", "--sample-rate", "1000 MHz"
    first, second = told("measurement", capsys, *read, *plugin)["readings"]
    assert first["thickness_mm"] == pytest.approx(1.2, abs=3e-3)
    assert first["expanded_mm"] > 3e-3
    assert second["thickness_mm"] is None
    assert second["reason"]
