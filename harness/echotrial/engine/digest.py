"""Keys under which readings are remembered: digests of everything that a reading depends on."""

import ast
import hashlib
import importlib.util
import json
import pickle
import re
import sys
from collections.abc import Iterator
from functools import cache
from importlib.metadata import entry_points, version
from pathlib import Path
from typing import Any, Final

from echotrial import __version__
from echotrial.engine.plan import TILE
from echotrial.host import GROUP, LoadedDetector

#: Host files that turn bytes into a batch and an answer into a reading.
_HOST: Final = ("engine/work.py", "engine/slices.py", "engine/sealed.py", "corpus/store.py")
_LIBRARIES: Final = ("numpy", "scipy", "numba")
_COMPUTED: Final = re.compile(rb"\b(import_module|__import__)\b")
_PACKAGE: Final = Path(__file__).parents[1]


def key_of(about: dict[str, Any]) -> str:
    """Digest of a description that JSON can hold."""
    return hashlib.sha256(json.dumps(about, sort_keys=True).encode()).hexdigest()


def surroundings() -> dict[str, Any]:
    """What every reading made here depends on: host, libraries, machine's byte order and tiles."""
    return {
        "echotrial": __version__,
        "host": _files_digest([_PACKAGE / name for name in _HOST]),
        "libraries": {name: version(name) for name in _LIBRARIES},
        "python": list(sys.version_info[:2]),
        "platform": sys.platform,
        "tile": TILE,
    }


def maps_digest(maps: Any) -> str:
    """Digest of confidence maps handed to detectors; empty for none."""
    return "" if maps is None else hashlib.sha256(pickle.dumps(maps, protocol=4)).hexdigest()


def source_digest(detector: LoadedDetector) -> str:
    """Digest of a detector's source and of what that imports from its folder or package.

    Imports of the host and of other plugins' packages are followed too; third-party libraries are
    not. A file that imports by computed names (``import_module``) brings its whole folder.
    """
    if detector.source is None:
        return detector.source_digest
    return _files_digest(sources(detector.source, detector.factory.__module__))


def sources(file: Path, module: str) -> list[Path]:
    """A source file and all that it imports, directly or not, from the packages that count."""
    found: dict[Path, str] = {}
    todo = [(file.resolve(), module)]
    while todo:
        path, name = todo.pop()
        if path not in found:
            found[path] = name
            todo += _imported(path, name)
    return sorted(found)


def _files_digest(files: list[Path]) -> str:
    digest = hashlib.sha256()
    for path in sorted(files, key=lambda p: (p.name, p.parent.name)):
        digest.update(path.name.encode() + hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


def _imported(path: Path, module: str) -> list[tuple[Path, str]]:
    stat = path.stat()
    return _imported_by(path, module, (stat.st_mtime_ns, stat.st_size))


@cache
def _imported_by(path: Path, module: str, _: tuple[int, int]) -> list[tuple[Path, str]]:
    """Source files that a file imports; remembered as long as it stays the same."""
    text = path.read_bytes()
    try:
        tree = ast.parse(text)
    except SyntaxError:
        return []
    package = module if path.name == "__init__.py" else module.rpartition(".")[0]
    names = {name for node in _statements(tree) for name in _names(node, package)}
    found = {f for name in names for f in _files_of(name, None if package else path.parent)}
    if _COMPUTED.search(text):
        found |= {(p.resolve(), f"{package}.{p.stem}") for p in path.parent.glob("*.py")}
    return sorted(found)


def _statements(node: ast.AST) -> Iterator[ast.AST]:
    """A node and the statements within it: imports are not looked for within expressions."""
    yield node
    for field in ("body", "orelse", "finalbody", "handlers", "cases"):
        for child in getattr(node, field, ()):
            yield from _statements(child)


def _names(node: ast.AST, package: str) -> Iterator[str]:
    """Dotted names that an import statement may load, relative ones made absolute."""
    if isinstance(node, ast.Import):
        yield from (alias.name for alias in node.names)
    elif isinstance(node, ast.ImportFrom):
        base = node.module or ""
        if node.level:
            parts = package.split(".")[: len(package.split(".")) - node.level + 1]
            base = ".".join([*parts, *([base] if base else [])])
        yield from (f"{base}.{alias.name}" for alias in node.names)


def _files_of(name: str, folder: Path | None) -> Iterator[tuple[Path, str]]:
    """Source files that importing `name` runs, beside a lone file or in a package that counts.

    The front page of such a package counts only where something is taken from it: a plugin's
    names all of its detectors, and the host's all of the host.
    """
    top, *rest = name.split(".")
    for root in filter(None, (folder, _packages().get(top))):
        at, found = root, list[tuple[Path, str]]()
        for depth, part in enumerate((top, *rest)):
            at = at / part
            files = (at.with_suffix(".py"), at / "__init__.py")
            dotted = ".".join([top, *rest[:depth]])
            found += [(file.resolve(), dotted) for file in files if file.is_file()]
        front = root / top / "__init__.py"
        if len(found) > 1 or top == "echotrial":
            found = [entry for entry in found if entry[0] != front.resolve()]
        yield from found


@cache
def _packages() -> dict[str, Path]:
    """Top-level packages of the host and of installed plugins -> the folder they lie in."""
    plugins = (point.module.split(".")[0] for point in entry_points(group=GROUP))
    found = {}
    for name in {"echotrial", *plugins}:
        spec = importlib.util.find_spec(name)
        if spec is not None and spec.origin is not None:
            inside = Path(spec.origin).parent
            found[name] = inside.parent if spec.submodule_search_locations else inside
    return found
