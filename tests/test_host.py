"""Plugins come in one by one, under guard: what fails is listed with its reason, the rest go on."""

import hashlib
from importlib.metadata import EntryPoint
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from echotrial import host
from echotrial.ascan import Batch, Readings
from echotrial.detector import (
    Settings,
    bounds_of,
    candidates_of,
    choices_of,
    from_function,
    setting,
)
from echotrial.errors import WrongQuestion
from echotrial.setup import Setup
from pydantic import ValidationError

SETUP = Setup(centre_frequency=20e6, velocity=5790.0, wall_range=(0.2e-3, 1e-3), mode=3)
CLASS = '''
from echotrial.ascan import Readings
from echotrial.detector import Settings


class {name}:
    """A detector."""

    name = "{label}"
    version = "1"
    Settings = Settings
    invariances = frozenset()

    def prepare(self, setup, settings, *, maps=None):
        return lambda batch: Readings.silent(len(batch))
'''
FUNCTION = "def {name}(batch):\n    return [1e-3] * len(batch)\n"


@pytest.fixture
def file(tmp_path):
    def write(text: str, name: str = "plugin.py") -> Path:
        path = tmp_path / name
        path.write_text(text)
        return path

    return write


@pytest.fixture
def installed(monkeypatch, tmp_path):
    """Stand in for installed plugins: name -> text of the module behind the entry point."""

    def install(**texts: str) -> None:
        points = []
        for name, text in texts.items():
            (tmp_path / f"installed_{name}.py").write_text(text)
            points.append(EntryPoint(name, f"installed_{name}", host.GROUP))
        monkeypatch.syspath_prepend(tmp_path)
        monkeypatch.setattr(host, "entry_points", lambda group: points if group else [])

    return install


def load(*files: Path) -> host.Host:
    return host.load(files, use_entry_points=False)


# -- what a file brings ---------------------------------------------------------------------------


def test_every_public_class_and_function_of_a_file_counts_and_nothing_else(file):
    text = (
        CLASS.format(name="First", label="first")
        + CLASS.format(name="_Hidden", label="hidden")
        + FUNCTION.format(name="plain_one")
        + FUNCTION.format(name="_private")
        + "from echotrial.detector import from_function\n"
        + "def helper(samples):\n    return samples\n"
        + "class NotOne:\n    pass\n"
    )
    found = load(file(text))
    assert not found.failures
    assert set(found.detectors) == {"first", "plain-one"}


def test_a_plain_function_becomes_a_detector_with_its_keywords_as_settings(file):
    text = (
        "import numpy as np\n"
        "def highest_sample(batch, *, level: float = 0.4, note: str = 'x'):\n"
        "    '''Says one millimetre above a level.'''\n"
        "    return np.where(batch.samples.max(axis=1) > level, 1e-3, np.nan)\n"
    )
    loaded = load(file(text)).detectors["highest-sample"]
    assert loaded.settings_model().model_dump() == {"level": 0.4, "note": "x"}
    batch = Batch.of(np.array([[0.3] * 4, [0.5] * 4]), 1e8, 0.0, SETUP)
    for level, answered in ((0.4, [False, True]), (0.2, [True, True])):
        readings = loaded.factory().prepare(SETUP, loaded.settings_model(level=level))(batch)
        assert isinstance(readings, Readings)
        assert readings.answered.tolist() == answered
    with pytest.raises(ValidationError):
        loaded.settings_model(levle=0.1)
    with pytest.raises(ValidationError):
        loaded.settings_model(level="high")


def test_the_digest_is_that_of_the_source_file_and_sees_every_change(file):
    path = file(FUNCTION.format(name="one"))
    before = load(path).detectors["one"]
    assert before.source == path
    assert before.source_digest == hashlib.sha256(path.read_bytes()).hexdigest()
    path.write_text(path.read_text() + "# another thought\n")
    assert load(path).detectors["one"].source_digest != before.source_digest


def test_two_files_of_one_name_in_different_folders_do_not_meet(tmp_path):
    paths = []
    for folder, name in (("a", "one"), ("b", "two")):
        (tmp_path / folder).mkdir()
        paths.append(tmp_path / folder / "plugin.py")
        paths[-1].write_text(FUNCTION.format(name=name))
    assert set(load(*paths).detectors) == {"one", "two"}


# -- what goes wrong ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("raise SystemExit(7)", "SystemExit: 7"),
        ("raise SystemExit", "SystemExit: no message"),
        ("raise GeneratorExit('odd')", "GeneratorExit: odd"),
        ("import a_library_nobody_has", "ModuleNotFoundError"),
        ("def broken(:", "SyntaxError"),
        ("1 / 0", "ZeroDivisionError: division by zero"),
    ],
)
def test_whatever_is_raised_on_import_is_listed_and_the_rest_go_on(file, text, reason):
    bad, good = file(text, "bad.py"), file(FUNCTION.format(name="good"), "good.py")
    found = load(bad, good)
    assert set(found.detectors) == {"good"}
    assert [f.plugin for f in found.failures] == [str(bad)]
    assert found.failures[0].reason.startswith(reason)


def test_ctrl_c_stops_everything(file):
    with pytest.raises(KeyboardInterrupt):
        load(file("raise KeyboardInterrupt"))


def test_a_file_that_is_not_there_is_a_failure_with_its_name(tmp_path):
    found = load(tmp_path / "nowhere.py")
    assert found.failures == [
        host.Failure(str(tmp_path / "nowhere.py"), "FileNotFoundError: no such file")
    ]


def test_a_name_already_taken_is_refused_and_the_first_stays(file):
    first = file(FUNCTION.format(name="one"), "first.py")
    second = file(FUNCTION.format(name="one") + FUNCTION.format(name="two"), "second.py")
    found = load(first, second)
    assert found.detectors["one"].source == first
    assert "two" in found.detectors
    assert found.failures[0].plugin == str(second)
    assert "'one' is already taken by " + str(first) in found.failures[0].reason


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ('    version = "1"\n', "has no version"),
        ("    invariances = frozenset()\n", "has no invariances"),
        ("    Settings = Settings\n", "has no Settings"),
    ],
)
def test_a_class_without_what_a_detector_has_is_named(file, line, reason):
    found = load(file(CLASS.format(name="One", label="one").replace(line, "")))
    assert not found.detectors
    assert reason in found.failures[0].reason


def test_settings_that_are_no_pydantic_model_are_refused(file):
    text = CLASS.format(name="One", label="one").replace("Settings = Settings", "Settings = dict")
    assert "not a pydantic model" in load(file(text)).failures[0].reason


def test_an_unknown_hook_argument_or_a_hook_that_raises_is_the_plugins_own_failure(file):
    misspelt = file(
        "from echotrial.hooks import hookimpl\n@hookimpl\ndef detektors():\n    return []\n", "m.py"
    )
    raising = file(
        "from echotrial.hooks import hookimpl\n@hookimpl\ndef corpora():\n    raise OSError(1)\n",
        "r.py",
    )
    good = file(FUNCTION.format(name="good"), "good.py")
    found = load(misspelt, raising, good)
    assert set(found.detectors) == {"good"}
    assert {f.plugin: f.reason.split(":")[0] for f in found.failures} == {
        str(misspelt): "PluginValidationError",
        str(raising): "OSError",
    }


def test_a_hook_that_gives_nothing_or_one_bad_thing_loses_only_that(file):
    text = (
        "from echotrial.hooks import hookimpl\n"
        + FUNCTION.format(name="good").replace("def good", "def _good")
        + "class _Bad:\n    name = 'bad'\n"
        + "@hookimpl\ndef detectors():\n    return [_Bad, _good]\n"
    )
    found = load(file(text))
    assert set(found.detectors) == {"good"}
    assert "'bad' has no" in found.failures[0].reason


# -- hooks ----------------------------------------------------------------------------------------

EVERYTHING = """
from pathlib import Path
from types import SimpleNamespace
from echotrial.hooks import CorpusEntry, hookimpl

@hookimpl
def corpora():
    return [CorpusEntry("mine", Path("mine.toml"), default=True)]

@hookimpl
def measures():
    return {"median-error": lambda frame: {}}

@hookimpl
def forward_model():
    return SimpleNamespace(version="1")
"""


def test_corpora_measures_and_a_forward_model_come_in_by_hooks(file):
    found = load(file(EVERYTHING))
    assert not found.failures
    assert found.corpora["mine"].default
    assert set(found.measures) == {"median-error"}
    assert found.forward_model == SimpleNamespace(version="1")


def test_the_first_forward_model_serves_and_second_names_are_refused(file):
    other = EVERYTHING.replace('version="1"', 'version="2"')
    found = load(file(EVERYTHING, "a.py"), file(other, "b.py"))
    assert found.forward_model.version == "1"
    assert sorted(f.reason.split(" name ")[0] for f in found.failures) == [
        "ValueError: corpus",
        "ValueError: measure",
    ]


def test_without_a_forward_model_the_error_says_so():
    with pytest.raises(WrongQuestion, match="no plugin brings a forward model"):
        _ = load().forward_model


# -- installed plugins ----------------------------------------------------------------------------


def test_installed_plugins_bring_what_their_hook_returns_only(installed):
    hook = (
        "from echotrial.hooks import hookimpl\n"
        + FUNCTION.format(name="offered")
        + FUNCTION.format(name="kept_back")
        + "@hookimpl\ndef detectors():\n    return [offered]\n"
    )
    installed(mine=hook)
    assert set(host.load().detectors) == {"offered"}


def test_entry_points_can_be_left_out_or_allowed_by_name(installed, file):
    hook = "from echotrial.hooks import hookimpl\n{}@hookimpl\ndef detectors():\n    return [{}]\n"
    installed(
        one=hook.format(FUNCTION.format(name="first"), "first"),
        two=hook.format(FUNCTION.format(name="second"), "second"),
        bad="raise SystemExit('never loaded unless allowed')",
    )
    own = file(FUNCTION.format(name="own"))
    assert set(host.load([own], use_entry_points=False).detectors) == {"own"}
    allowed = host.load([own], allow=["two"])
    assert set(allowed.detectors) == {"second", "own"}
    assert not allowed.failures
    everything = host.load([own])
    assert set(everything.detectors) == {"first", "second", "own"}
    assert [f.plugin for f in everything.failures] == ["bad"]


def test_an_entry_point_that_exits_does_not_stop_the_next(installed):
    hook = "from echotrial.hooks import hookimpl\n{}@hookimpl\ndef detectors():\n    return [{}]\n"
    installed(a="import sys\nsys.exit(1)\n", b=hook.format(FUNCTION.format(name="good"), "good"))
    found = host.load()
    assert set(found.detectors) == {"good"}
    assert found.failures == [host.Failure("a", "SystemExit: 1")]


# -- choosing -------------------------------------------------------------------------------------


def test_choosing_keeps_the_order_asked_for_and_names_the_nearest(file):
    text = FUNCTION.format(name="threshold") + FUNCTION.format(name="cepstral")
    found = load(file(text), file("raise OSError('gone')", "bad.py"))
    assert [d.name for d in found.chosen(["cepstral", "threshold"])] == ["cepstral", "threshold"]
    assert [d.name for d in found.chosen()] == ["threshold", "cepstral"]
    with pytest.raises(WrongQuestion, match=r"did you mean 'threshold'\?.*OSError: gone"):
        found.chosen(["treshold"])


# -- settings -------------------------------------------------------------------------------------


def test_bounds_choices_and_candidates_of_a_setting_can_be_read_back():
    class Mine(Settings):
        level: float = setting(0.4, "a level", ge=0.1, le=0.9, candidates=(0.3, 0.5))
        open_end: int = setting(3, "a count", ge=1)
        robust: bool = setting(True, "a switch")

    fields = Mine.model_fields
    assert bounds_of(fields["level"]) == (0.1, 0.9)
    assert candidates_of(fields["level"]) == [0.3, 0.5]
    assert bounds_of(fields["open_end"]) == (1, None)
    assert choices_of(fields["robust"].annotation) == [False, True]
    assert fields["level"].description == "a level"
    for wrong in ({"level": 0.05}, {"level": float("nan")}, {"open_end": 0}):
        with pytest.raises(ValidationError):
            Mine(**wrong)


def test_a_function_with_a_setting_that_has_no_default_requires_it():
    def needs(batch, *, level: float):
        return np.full(len(batch), level)

    made = from_function(needs)
    with pytest.raises(ValidationError):
        made.Settings()
    assert made.Settings(level=1.0)
