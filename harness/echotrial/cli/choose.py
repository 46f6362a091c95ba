"""``echotrial choose``: from a set-up to the approach that holds, with a method sheet."""

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from echotrial.choose.advice import Change
    from echotrial.choose.conduct import Choice, Nothing, Request
    from echotrial.corpus.store import Corpus
    from echotrial.host import Host

_FILE = click.Path(path_type=Path)


@click.command()
@click.argument("setup", type=_FILE)
@click.option("--recorded", multiple=True, help="Corpus of your recordings to prove on as well.")
@click.option("--detector", "detectors", multiple=True, help="Only these (default: all).")
@click.option("--plugin", "plugins", multiple=True, type=_FILE, help="Python file with detectors.")
@click.option("--entry-points/--no-entry-points", default=True, help="Load installed plugins.")
@click.option("--out", type=_FILE, help="Folder (default: the set-up's name, with '-choice').")
@click.option("--prove", type=click.IntRange(min=1), default=5000, show_default=True)
@click.option("--tune", type=click.IntRange(min=1), default=1000, show_default=True)
@click.option("--seed", type=int, default=0, show_default=True, help="Of the records made.")
@click.option("--search-limit", default="120 s", show_default=True, help="Time for the search.")
@click.option("--workers", type=click.IntRange(min=0), default=os.cpu_count, help="Processes.")
@click.option("--advice/--no-advice", default=True, help="Try what would help where none holds.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def choose(
    setup: Path,
    recorded: tuple[str, ...],
    detectors: tuple[str, ...],
    plugins: tuple[Path, ...],
    entry_points: bool,
    out: Path | None,
    prove: int,
    tune: int,
    seed: int,
    search_limit: str,
    workers: int,
    advice: bool,
    as_json: bool,
) -> int:
    """Find the detector, mode and settings that can be trusted on SETUP, and write its sheet.

    Exit 1 where none can be trusted; then changes are tried by simulation.
    """
    from echotrial import host as hosts
    from echotrial.choose.conduct import Nothing, Request
    from echotrial.choose.conduct import choose as conduct
    from echotrial.choose.job import read_job
    from echotrial.quantities import parse

    try:
        search_s = parse(search_limit, "time")
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--search-limit") from None
    host = hosts.load(plugins, use_entry_points=entry_points)
    for failure in host.failures:
        click.echo(f"plugin {failure.plugin} failed to load: {failure.reason}", err=True)
    job = read_job(setup, host.forward_model.materials())
    folder = out or setup.with_name(f"{setup.stem}-choice")
    request = Request(
        job, folder, host.chosen(detectors), plugins, entry_points,
        {"prove": prove, "tune": tune}, seed, workers, _opened(recorded), search_s,
    )  # fmt: skip
    try:
        with _progress() as progress:
            choice = conduct(host, request, progress)
    except Nothing as nothing:
        return _nothing(host, request, nothing, setup.stem, advice, as_json)
    code = _answer(host, request, choice, setup.stem, advice, as_json)
    return code or (3 if host.failures else 0)


def _opened(recorded: tuple[str, ...]) -> "tuple[Corpus, ...]":
    from echotrial.corpus.find import opened

    return tuple(opened(what) for what in recorded)


def _answer(
    host: "Host", request: "Request", choice: "Choice", name: str, advice: bool, as_json: bool
) -> int:
    """Write the method, or try what would help; say so, in words or as JSON."""
    method = sheet = None
    if choice.detector is not None:
        method, sheet = _written(host, request, choice, name)
    if not as_json:
        _show(choice, method, sheet)
    tried: Sequence[Change] = ()
    if advice and choice.verdict["answer"] == "none of these":
        finalists = {f.detector: dict(f.settings) for f in choice.finalists}
        tried = _advice(host, request, finalists, as_json)
    if choice.verdict["answer"] == "none of these":
        words, rows = choice.verdict["sentence"], choice.verdict["assessments"]
        sheet = _page(request, name, words, choice, rows, tried, as_json)
    if as_json:
        from echotrial.answers.form import printed
        from echotrial.answers.method import chosen

        files = [None if path is None else str(path) for path in (method, sheet)]
        click.echo(printed("choice", chosen(choice, tried, *files)))
    return 0 if method is not None else 1


def _page(
    request: "Request", name: str, sentence: str, found: "Choice | Nothing",
    assessments: "Sequence[dict[str, Any]]", tried: "Sequence[Change]", as_json: bool,
) -> Path:  # fmt: skip
    """Write the page that says why none holds, and what would help."""
    from echotrial.sheet.answer import Answer, write_answer

    answer = Answer(name, sentence, found.feasible, found.found, assessments, tried)
    path = write_answer(answer, request.folder)
    if not as_json:
        click.echo(f"Page: {path}")
    return path


def _nothing(
    host: "Host", request: "Request", nothing: "Nothing", name: str, advice: bool, as_json: bool
) -> int:
    """Not one hit: say so, and what would help, unless no detector read a record at all."""
    from echotrial.answers.form import printed
    from echotrial.answers.method import nothing as data
    from echotrial.sheet.chosen import NO_HIT, show_nothing
    from echotrial.sheet.words import console

    if not nothing.read:
        raise nothing
    if not as_json:
        show_nothing(nothing, console())
    defaults: dict[str, dict[str, Any]] = {who: {} for who in nothing.read}
    tried = _advice(host, request, defaults, as_json) if advice else ()
    page = _page(request, name, NO_HIT, nothing, (), tried, as_json)
    if as_json:
        click.echo(printed("choice", data(nothing, tried, str(page))))
    return 1


def _written(
    host: "Host", request: "Request", choice: "Choice", name: str
) -> "tuple[Path, Path | None]":
    from echotrial.choose.frozen import method_of
    from echotrial.choose.method import write_method
    from echotrial.sheet.page import write_sheet

    found, path = method_of(choice, host, name), request.folder / "method.toml"
    write_method(found, path)
    return path, write_sheet(found, request.folder)


def _show(choice: "Choice", method: Path | None, sheet: Path | None) -> None:
    from echotrial.sheet.chosen import show
    from echotrial.sheet.words import console

    show(choice, console())
    if method is not None:
        click.echo(f"Method: {method}; method sheet: {sheet}")
    else:
        click.echo(f"Trial folder: {choice.trial.folder}")


def _advice(
    host: "Host", request: "Request", settings: "Mapping[str, Mapping[str, Any]]", as_json: bool
) -> "Sequence[Change]":
    from echotrial.choose.advice import advice
    from echotrial.sheet.chosen import show_advice
    from echotrial.sheet.words import console

    click.echo("\nWhat would help, tried by simulation:", err=True)
    found = advice(
        host, request.job, settings, request.plugins, request.entry_points,
        lambda change: click.echo(f"  tried: {change.words}", err=True), request.seed,
    )  # fmt: skip
    if not as_json:
        show_advice(found, console())
    return found


@contextmanager
def _progress() -> Iterator[Callable[[str, float], None] | None]:
    """A bar with the time left on a terminal, nothing where the output goes elsewhere."""
    from rich.console import Console
    from rich.progress import Progress

    screen = Console(stderr=True)
    if not screen.is_terminal:
        yield None
        return
    with Progress(console=screen, transient=True) as bars:
        task = bars.add_task("choosing", total=1.0)
        yield lambda what, share: bars.update(task, completed=share, description=what)
