"""Arrows of import: detectors -> host <- corpora, and inside the host data flows one way."""

import ast
from pathlib import Path

import echotrial
import pytest

ROOT = Path(echotrial.__file__).parent
REPOSITORY = ROOT.parent.parent
PACKAGES = {
    "echotrial": ROOT,
    "echotrial_detectors": REPOSITORY / "plugins" / "echotrial_detectors",
    "echotrial_corpora": REPOSITORY / "corpora" / "echotrial_corpora",
}

#: Parts of the host, each level may import from the levels above it and from its own.
LEVELS = (
    ("errors", "memory", "quantities", "strict", "setup", "ascan", "columns", "detector", "hooks",
     "host", "files", "corpus"),
    ("engine",),
    ("outcome",),
    ("scores",),
    ("trial",),
    ("compare", "guard", "choose", "calibrate", "calibration", "testing", "template"),
    ("report", "sheet"),
    ("answers",),
    ("cli",),
)  # fmt: skip
LEVEL = {part: level for level, parts in enumerate(LEVELS) for part in parts}


def imports(path: Path, package: str) -> set[str]:
    """Every module that a file imports, wherever in the file, also under TYPE_CHECKING."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = _absolute(path, package, node)
            found |= {f"{base}.{alias.name}" for alias in node.names}
    return found


def _absolute(path: Path, package: str, node: ast.ImportFrom) -> str:
    parts = [package, *path.relative_to(PACKAGES[package]).parts[:-1]]
    return ".".join([*parts[: len(parts) - node.level + 1], *filter(None, [node.module])])


def files(package: str) -> list[Path]:
    return sorted(PACKAGES[package].rglob("*.py"))


def named_as_text(path: Path) -> set[str]:
    """Packages that a file could load by name: strings of its code, docstrings left out."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    calls = [n for n in ast.walk(tree) if isinstance(n, ast.Call)]
    loading = [c for c in calls if "import" in ast.unparse(c.func)]
    texts = [a.value for c in loading for a in c.args if isinstance(a, ast.Constant)]
    return {str(t).split(".")[0] for t in texts}


@pytest.mark.parametrize(
    ("package", "forbidden"),
    [
        ("echotrial", {"echotrial_detectors", "echotrial_corpora"}),
        ("echotrial_detectors", {"echotrial_corpora"}),
        ("echotrial_corpora", {"echotrial_detectors"}),
    ],
)
def test_packages_import_only_along_the_arrows(package, forbidden):
    assert files(package) or package != "echotrial"
    wrong = {
        f"{path.relative_to(REPOSITORY)} imports {name}"
        for path in files(package)
        for name in imports(path, package) | named_as_text(path)
        if name.split(".")[0] in forbidden
    }
    assert not wrong


def parts_imported(path: Path) -> set[str]:
    names = [n.split(".") for n in imports(path, "echotrial")]
    inside = {n[1] for n in names if n[0] == "echotrial" and len(n) > 1}
    return {part for part in inside if not part.startswith("__")}


def part_of(path: Path) -> str:
    return path.relative_to(ROOT).parts[0].removesuffix(".py")


def test_every_part_of_the_host_has_its_level():
    parts = {part_of(path) for path in files("echotrial")} - {"__init__"}
    assert parts <= set(LEVEL), "give new parts a level in LEVELS"


def test_inside_the_host_data_flows_one_way():
    wrong = {
        f"{path.relative_to(ROOT)} imports {part}"
        for path in files("echotrial")
        if part_of(path) != "__init__"
        for part in parts_imported(path)
        if LEVEL[part] > LEVEL[part_of(path)]
    }
    assert not wrong


def test_no_command_is_imported_by_another_part():
    for path in files("echotrial"):
        if part_of(path) != "cli":
            assert "cli" not in parts_imported(path), path


def test_the_rule_sees_every_kind_of_import(tmp_path, monkeypatch):
    monkeypatch.setitem(PACKAGES, "echotrial", tmp_path)
    inner = tmp_path / "scores"
    inner.mkdir()
    path = inner / "rates.py"
    path.write_text(
        "from typing import TYPE_CHECKING\n"
        "import echotrial.engine\n"
        "from .. import cli\n"
        "from ..report.page import draw\n"
        "from . import strata\n"
        "if TYPE_CHECKING:\n    from echotrial import trial\n"
        "def late():\n    import echotrial_corpora.model\n"
        "    __import__('echotrial_detectors')\n"
    )
    assert {"echotrial.cli", "echotrial.report.page.draw", "echotrial.scores.strata"} <= imports(
        path, "echotrial"
    )
    assert {"echotrial.trial", "echotrial_corpora.model"} <= imports(path, "echotrial")
    assert parts_imported(path) == {"engine", "cli", "report", "scores", "trial"}
    assert "echotrial_detectors" in named_as_text(path)
