"""``echotrial detector``: list what is there, hold it to the contract, begin a new one."""

import importlib.util
import keyword
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from echotrial import files
from echotrial.detector import bounds_of, candidates_of, choices_of
from echotrial.errors import NotToBeHad, Refused, WrongQuestion
from echotrial.host import Host, LoadedDetector, load

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from echotrial.testing import Result

_TEMPLATE = Path(__file__).parent.parent / "template"
_WIDTH = 100
_plugins = click.option(
    "--plugin",
    "plugins",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Python file with more detectors (repeatable).",
)
_json = click.option("--json", "as_json", is_flag=True, help="For programs instead of people.")


@click.group()
def detector() -> None:
    """List, check and begin detectors."""


# -- list -----------------------------------------------------------------------------------------


@detector.command("list")
@_plugins
@_json
def list_(plugins: Sequence[Path], as_json: bool) -> int:
    """Show every detector: its settings, what it is for, where it came from, what failed to load.

    Exit 3 if a plugin failed to load.
    """
    host = load(plugins)
    if as_json:
        from echotrial.answers.form import printed

        click.echo(printed("detectors", _listing(host)))
    else:
        _print_listing(_listing(host))
    return _code(host)


def _code(host: Host) -> int:
    return NotToBeHad.exit_code if host.failures else 0


def _listing(host: Host) -> dict[str, Any]:
    return {
        "detectors": [describe(found) for found in host.detectors.values()],
        "failed": [{"plugin": f.plugin, "reason": f.reason} for f in host.failures],
    }


def describe(found: LoadedDetector) -> dict[str, Any]:
    """Everything a user may want to know of a detector before running it."""
    return {
        "name": found.name,
        "version": found.version,
        "about": _first_sentence(found.factory.__doc__),
        "invariances": sorted(found.factory.invariances),
        "plugin": found.plugin,
        "file": str(found.source) if found.source else None,
        "settings": [
            _describe_setting(name, field)
            for name, field in found.settings_model.model_fields.items()
        ],
    }


def _describe_setting(name: str, field: Any) -> dict[str, Any]:
    low, high = bounds_of(field)
    return {
        "name": name,
        "default": None if field.is_required() else field.default,
        "required": field.is_required(),
        "least": low,
        "greatest": high,
        "choices": choices_of(field.annotation),
        "candidates": candidates_of(field),
        "about": field.description or "",
    }


def _first_sentence(text: str | None) -> str:
    paragraph = " ".join((text or "").strip().split("\n\n")[0].split())
    return re.split(r"(?<=\.) ", paragraph)[0]


def _print_listing(listing: dict[str, Any]) -> None:
    console = _console()
    for found in listing["detectors"]:
        console.print(f"[bold]{found['name']}[/] {_safe(found['version'])}", highlight=False)
        for line in _particulars(found):
            console.print(line, highlight=False, markup=False)
        if found["settings"]:
            console.print(_settings_table(found["settings"]))
        console.print()
    for failure in listing["failed"]:
        console.print(f"failed: {failure['plugin']}: {failure['reason']}", markup=False)
    count, failed = len(listing["detectors"]), len(listing["failed"])
    words = f"{count} detector" + ("" if count == 1 else "s")
    console.print(words + (f", {failed} failed to load" if failed else ""), highlight=False)


def _particulars(found: dict[str, Any]) -> Iterator[str]:
    if found["about"]:
        yield f"  {found['about']}"
    unchanged = ", ".join(found["invariances"]) or "none declared"
    source = Path(found["file"] or "")
    file = f", {source.name}" if source.name and source.name not in found["plugin"] else ""
    yield f"  invariances: {unchanged}; from {found['plugin']}{file}"


def _settings_table(settings: list[dict[str, Any]]) -> "RenderableType":
    from rich.padding import Padding
    from rich.table import Table

    table = Table(box=None, pad_edge=False, header_style="dim", padding=(0, 2, 0, 0))
    widest = {
        "setting": 20,
        "default": 12,
        "bounds": 15,
        "worth trying": 15,
        "what it is for": None,
    }
    for heading, width in widest.items():
        table.add_column(heading, overflow="fold", max_width=width)
    for setting in settings:
        default = "required" if setting["required"] else _value(setting["default"])
        candidates = ", ".join(map(_value, setting["candidates"]))
        cells = (setting["name"], default, _bounds(setting), candidates, setting["about"])
        table.add_row(*map(_safe, cells))
    return Padding(table, (0, 0, 0, 2))


def _bounds(setting: dict[str, Any]) -> str:
    low, high = setting["least"], setting["greatest"]
    if low is None and high is None:
        return " | ".join(map(_value, setting["choices"]))
    if high is None:
        return f"from {_value(low)}"
    return f"to {_value(high)}" if low is None else f"{_value(low)} to {_value(high)}"


def _value(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _safe(text: str) -> str:
    from rich.markup import escape

    return escape(text)


def _console() -> "Console":
    from rich.console import Console

    console = Console()
    console.width = min(console.width, _WIDTH) if console.is_terminal else _WIDTH
    return console


# -- check ----------------------------------------------------------------------------------------


@detector.command()
@click.argument("what", metavar="NAME|FILE")
@_plugins
@_json
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("detector-check"),
    show_default=True,
    help="Folder for pictures of failing records; made only if there are any.",
)
@click.option(
    "--time-limit",
    "seconds",
    type=click.FloatRange(min=0, min_open=True),
    default=300.0,
    show_default=True,
    metavar="SECONDS",
    help="What the clauses together may take, for each detector.",
)
def check(what: str, plugins: Sequence[Path], as_json: bool, out: Path, seconds: float) -> int:
    """Hold a detector, or all those in a Python file, to the contract.

    Exit 1 if the contract is broken, 3 if the time was over before all of it was tried.
    """
    file = Path(what) if what.endswith(".py") else None
    if file and not file.is_file():
        raise WrongQuestion(f"{file}: no such file; name a Python file or a detector")
    named = {path.resolve() for path in plugins}
    host = load([*plugins, *([file] if file and file.resolve() not in named else [])])
    chosen = _in_file(host, file) if file else host.chosen([what])
    verdicts = {found.name: _examine(found, out, seconds, quiet=as_json) for found in chosen}
    if as_json:
        from echotrial.answers.form import printed

        told = [
            {"name": n, "keeps": all(v), "clauses": [_told(r) for r in v]}
            for n, v in verdicts.items()
        ]
        click.echo(printed("contract", {"detectors": told}))
    found = {result.verdict for results in verdicts.values() for result in results}
    if "fail" in found:
        return Refused.exit_code
    return NotToBeHad.exit_code if "not finished" in found else _code(host)


def _in_file(host: Host, file: Path) -> list[LoadedDetector]:
    found = [d for d in host.detectors.values() if _same_file(d.source, file)]
    if not found:
        reasons = "; ".join(f.reason for f in host.failures if _same_file(f.plugin, file))
        raise WrongQuestion(f"{file}: no detector in it" + (f": {reasons}" if reasons else ""))
    return found


def _same_file(one: Path | str | None, other: Path) -> bool:
    return one is not None and Path(one).resolve() == other.resolve()


def _examine(found: LoadedDetector, out: Path, seconds: float, *, quiet: bool) -> "list[Result]":
    examine = _contract()
    if not quiet:
        click.echo(f"{found.name} {found.version} ({found.plugin})")
    results = []
    for result in examine(found, seconds=seconds):
        results.append(result)
        picture = _keep_picture(result, found.name, out)
        if not quiet:
            _print_result(result, picture)
    if not quiet:
        click.echo(f"{found.name} {_verdict(results, seconds)}\n")
    return results


def _verdict(results: "Sequence[Result]", seconds: float) -> str:
    failed = [r.check for r in results if r.verdict == "fail"]
    late = [r.check for r in results if r.verdict == "not finished"]
    if failed:
        return f"breaks {len(failed)} of {len(results)} clauses"
    if late:
        return (
            f"took too long: {late[0]} was not done after {seconds:g} s, {len(late)} of "
            f"{len(results)} clauses are open; give it more with --time-limit"
        )
    return "keeps the contract"


def _contract() -> Any:
    try:
        from echotrial.testing import examine
    except ModuleNotFoundError as error:
        if error.name != "hypothesis":
            raise
        raise NotToBeHad("the contract needs hypothesis: pip install hypothesis") from None
    return examine


def _keep_picture(result: "Result", name: str, out: Path) -> Path | None:
    if result or result.case is None:
        return None
    path = out / f"{name}-{result.check}.svg"
    files.write_text(path, result.case.svg(f"{name}, {result.check}"))
    return path


def _print_result(result: "Result", picture: Path | None) -> None:
    import textwrap

    label = {"pass": "pass", "fail": "FAIL", "not finished": "LATE"}.get(result.verdict, "  - ")
    failed = result.verdict == "fail"
    told = f"{result.message}; the rule: {result.about}" if failed else result.message
    start = f"  {label}  {result.check:<30} "
    click.echo(
        textwrap.fill(told, _WIDTH, initial_indent=start, subsequent_indent=" " * len(start))
    )
    if result.case is not None:
        on = textwrap.fill(f"on: {result.case.words}", _WIDTH - 8)
        click.echo(textwrap.indent(f"{on}\n{result.case.sketch()}", " " * 8))
    if picture is not None:
        click.echo(f"        picture: {picture}")


def _told(result: "Result") -> dict[str, Any]:
    return {
        "check": result.check,
        "verdict": result.verdict,
        "message": result.message,
        "rule": result.about,
        "on": result.case.words if result.case else None,
    }


# -- new ------------------------------------------------------------------------------------------


@detector.command()
@click.argument("name")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path(),
    help="Where the new folder goes (default: here).",
)
def new(name: str, out: Path) -> None:
    """Write an installable plugin to begin from: one source file, its test, a pyproject, a README.

    NAME is the detector's, lower-case words joined by hyphens: my-idea.
    """
    _require_free(name)
    folder = begin(name, out)
    module = name.replace("-", "_")
    click.echo(f"wrote {folder}: {', '.join(sorted(p.name for p in folder.iterdir()))}")
    click.echo(f"try it:  echotrial detector check {folder / module}.py")


def _require_free(name: str) -> None:
    module = name.replace("-", "_")
    if not re.fullmatch(r"[a-z][a-z0-9]*(-[a-z0-9]+)*", name):
        problem = "is no detector name: write lower-case words joined by hyphens, as my-idea"
    elif keyword.iskeyword(module) or importlib.util.find_spec(module) is not None:
        problem = f"cannot be: a Python module or word is called {module} already; choose another"
    elif name in load().detectors:
        problem = "is the name of a detector that is there already; choose another"
    else:
        return
    raise WrongQuestion(f"'{name}' {problem}")


def begin(name: str, out: Path) -> Path:
    """Write the template under a new name, whole or not at all; give its folder."""
    spellings = {
        "my-idea": name,
        "my_idea": name.replace("-", "_"),
        "MyIdea": "".join(word.capitalize() for word in name.split("-")),
    }
    folder = out / name
    try:
        with files.new_folder(folder) as part:
            for source in sorted(p for p in _TEMPLATE.iterdir() if p.is_file()):
                text = source.read_text(encoding="utf-8")
                (part / _spelled(source.name, spellings)).write_text(
                    _spelled(text, spellings), encoding="utf-8"
                )
    except OSError as error:
        raise WrongQuestion(f"{folder}: {error}; choose another --out or name") from None
    return folder


def _spelled(text: str, spellings: dict[str, str]) -> str:
    return re.sub("|".join(spellings), lambda found: spellings[found[0]], text)
