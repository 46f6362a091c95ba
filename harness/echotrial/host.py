"""Loads plugins one by one, under guard; lists what failed and why, and goes on with the rest."""

import hashlib
import importlib.util
import inspect
import sys
import types
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import Any

import pluggy
from pydantic import BaseModel, ValidationError

from echotrial.detector import Detector, from_function
from echotrial.errors import WrongQuestion, nearest
from echotrial.hooks import CorpusEntry, ForwardModel, HookSpecs, Measure
from echotrial.strict import explain

GROUP = "echotrial"


@dataclass(frozen=True)
class Failure:
    """A plugin, or one thing in it, that could not be taken in."""

    plugin: str
    reason: str


@dataclass(frozen=True)
class LoadedDetector:
    """A detector and where it came from."""

    name: str
    version: str
    factory: type[Detector]
    plugin: str
    source: Path | None
    source_digest: str

    @property
    def settings_model(self) -> type[BaseModel]:
        """The pydantic model of its settings."""
        return self.factory.Settings

    def settings(self, values: Mapping[str, Any]) -> BaseModel:
        """Its settings with these values in place of defaults.

        Raises
        ------
        WrongQuestion
            A setting that it does not have, or a value out of bounds.
        """
        try:
            return self.settings_model.model_validate(dict(values))
        except ValidationError as error:
            where = f"settings of {self.name}"
            raise WrongQuestion(explain(error, self.settings_model, where)) from None


@dataclass
class Host:
    """Everything that plugins brought, by name."""

    detectors: dict[str, LoadedDetector] = field(default_factory=dict)
    corpora: dict[str, CorpusEntry] = field(default_factory=dict)
    measures: dict[str, Measure] = field(default_factory=dict)
    models: list[tuple[str, ForwardModel]] = field(default_factory=list)
    failures: list[Failure] = field(default_factory=list)

    @property
    def forward_model(self) -> ForwardModel:
        """The forward model, or an error that says how to get one."""
        if not self.models:
            raise WrongQuestion(
                "no plugin brings a forward model: synthetic corpora cannot be made"
            )
        return self.models[0][1]

    def chosen(self, names: Sequence[str] = ()) -> list[LoadedDetector]:
        """The named detectors, all of them where none is named.

        Raises
        ------
        WrongQuestion
            A name that no plugin brought.
        """
        for name in names:
            if name not in self.detectors:
                failed = "".join(f"; {f.plugin} failed to load: {f.reason}" for f in self.failures)
                raise WrongQuestion(
                    f"unknown detector '{name}': {nearest(name, self.detectors)}{failed}"
                )
        return [self.detectors[name] for name in (names or self.detectors)]


def load(
    files: Iterable[Path] = (), *, use_entry_points: bool = True, allow: Sequence[str] | None = None
) -> Host:
    """Load the plugins of this environment, then the given files.

    Parameters
    ----------
    files
        Python files named by the user (``--plugin``).
    use_entry_points
        False leaves out every plugin that is installed.
    allow
        Where given, only entry points of these names are loaded.
    """
    host = Host()
    manager = pluggy.PluginManager(GROUP)
    manager.add_hookspecs(HookSpecs)
    points = entry_points(group=GROUP) if use_entry_points else ()
    for point in sorted(points, key=_own_first):
        if allow is None or point.name in allow:
            with _guard(host, _label(point)):
                _take_in(host, manager, point.load(), _label(point))
    for file in files:
        with _guard(host, str(file)):
            _take_in(host, manager, load_file(file), str(file), is_file=True)
    return host


def load_file(path: Path) -> types.ModuleType:
    """Import a single Python file under a name that nothing else has."""
    if not path.is_file():
        raise FileNotFoundError("no such file")
    name = "echotrial_file_" + hashlib.sha256(str(path.resolve()).encode()).hexdigest()[:12]
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise ImportError("not a Python file")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    folder = str(path.resolve().parent)
    if folder not in sys.path:
        sys.path.append(folder)  # last, so that the files beside a plugin shadow nothing
    try:
        spec.loader.exec_module(module)
    except BaseException:
        del sys.modules[name]
        raise
    return module


def _own_first(point: EntryPoint) -> tuple[bool, str]:
    return (not point.value.startswith("echotrial_"), point.name)


def _label(point: EntryPoint) -> str:
    origin = f" ({point.dist.name} {point.dist.version})" if point.dist else ""
    return f"{point.name}{origin}"


@contextmanager
def _guard(host: Host, plugin: str) -> Iterator[None]:
    """Whatever is raised inside, but the user's own Ctrl-C, becomes a `Failure`."""
    try:
        yield
    except KeyboardInterrupt:
        raise
    except BaseException as error:
        words = " ".join(str(error).split()) or "no message"
        host.failures.append(Failure(plugin, f"{type(error).__name__}: {words}"))


def _take_in(
    host: Host, manager: pluggy.PluginManager, module: Any, plugin: str, *, is_file: bool = False
) -> None:
    """Register one plugin and add what its hooks (and, in a file, its names) bring."""
    manager.register(module, name=plugin)
    try:
        manager.check_pending()
        offered = {call.name: _answers(manager, call.name, module) for call in _hooks(manager)}
    except BaseException:
        manager.unregister(module)
        raise
    found = [d for answer in offered["detectors"] for d in answer]
    if is_file:
        found += [d for d in _public_detectors(module) if d not in found]
    for thing in found:
        with _guard(host, plugin):
            _add_detector(host, thing, plugin)
    for entry in (e for answer in offered["corpora"] for e in answer):
        with _guard(host, plugin):
            _add(host.corpora, "corpus", entry.name, entry)
    for name, measure in (i for answer in offered["measures"] for i in answer.items()):
        with _guard(host, plugin):
            _add(host.measures, "measure", name, measure)
    host.models += [(plugin, model) for model in offered["forward_model"]]


def _hooks(manager: pluggy.PluginManager) -> list[Any]:
    return [getattr(manager.hook, name) for name in vars(HookSpecs) if not name.startswith("_")]


def _answers(manager: pluggy.PluginManager, hook: str, module: Any) -> list[Any]:
    others = [p for p in manager.get_plugins() if p is not module]
    caller = manager.subset_hook_caller(hook, remove_plugins=others)
    return list(caller())


def _public_detectors(module: Any) -> list[Any]:
    own = [
        thing
        for name, thing in vars(module).items()
        if not name.startswith("_") and getattr(thing, "__module__", None) == module.__name__
    ]
    return [t for t in own if (inspect.isclass(t) and hasattr(t, "prepare")) or _reads_a_batch(t)]


def _reads_a_batch(thing: Any) -> bool:
    return (
        inspect.isfunction(thing) and next(iter(inspect.signature(thing).parameters), "") == "batch"
    )


def _add_detector(host: Host, thing: Any, plugin: str) -> None:
    source = inspect.getsourcefile(thing)
    factory: Any = thing if inspect.isclass(thing) else from_function(thing)
    label = getattr(factory, "name", getattr(thing, "__name__", repr(thing)))
    missing = [
        a
        for a in ("name", "version", "Settings", "invariances", "prepare")
        if not hasattr(factory, a)
    ]
    if missing:
        raise TypeError(f"detector {label!r} has no {', '.join(missing)}")
    if not (isinstance(factory.Settings, type) and issubclass(factory.Settings, BaseModel)):
        raise TypeError(f"detector {label!r}: Settings is not a pydantic model")
    path = Path(source) if source else None
    digest = hashlib.sha256(path.read_bytes()).hexdigest() if path else ""
    loaded = LoadedDetector(factory.name, str(factory.version), factory, plugin, path, digest)
    _add(host.detectors, "detector", loaded.name, loaded)


def _add(table: dict[str, Any], kind: str, name: str, thing: Any) -> None:
    if name in table:
        owner = getattr(table[name], "plugin", "another plugin")
        raise ValueError(f"{kind} name '{name}' is already taken by {owner}")
    table[name] = thing
