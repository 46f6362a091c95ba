"""``echotrial corpus``: build, import, fetch, check, list and show corpora."""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from echotrial.corpus.build import Progress
    from echotrial.corpus.store import Corpus
    from echotrial.host import Host

_FILE = click.Path(path_type=Path)
_plugins = click.option(
    "--plugin", "plugins", multiple=True, type=_FILE, help="Python file with more plugins."
)
_out = click.option("--out", type=_FILE, help="Folder to make (default: among your corpora).")
_replace = click.option("--replace", is_flag=True, help="Make it anew where it is there already.")


@click.group()
def corpus() -> None:
    """Build, import, fetch, check, list and show corpora: A-scans with their truth."""


@corpus.command()
@click.argument("spec")
@click.option("--size", help="smoke, run or standard (default: run).")
@click.option("--records", type=click.IntRange(min=1), help="Prove records (instead of --size).")
@click.option("--tune", type=click.IntRange(min=0), default=0, help="Tune records, with --records.")
@click.option("--seed", type=int, default=0, show_default=True)
@click.option("--workers", type=click.IntRange(min=1), default=os.cpu_count, help="Processes.")
@_out
@_replace
@_plugins
def build(
    spec: str,
    size: str | None,
    records: int | None,
    tune: int,
    seed: int,
    workers: int,
    out: Path | None,
    replace: bool,
    plugins: tuple[Path, ...],
) -> int:
    """Make the synthetic corpus of SPEC, a name from `corpus list` or a TOML file."""
    from echotrial.corpus.build import build as make
    from echotrial.corpus.find import spec_named
    from echotrial.errors import WrongQuestion

    if records is not None and size is not None:
        raise WrongQuestion("--size and --records: keep one of them")
    host = _host(plugins)
    with _progress("building") as progress:
        made = make(
            host,
            spec_named(host, spec),
            seed=seed,
            size=size or "run" if records is None else {"prove": records, "tune": tune},
            out=out,
            workers=workers,
            progress=progress,
            replace=replace,
        )
    _say_what(made)
    return _exit_code(host)


@corpus.command(name="import")
@click.argument("sheet", type=_FILE)
@_out
@_replace
@_plugins
def import_(sheet: Path, out: Path | None, replace: bool, plugins: tuple[Path, ...]) -> int:
    """Make a corpus of the recordings that SHEET (TOML) describes."""
    from echotrial.corpus.find import materials
    from echotrial.corpus.sheet import import_sheet

    host = _host(plugins)
    _say_what(import_sheet(sheet, out, materials=materials(host), replace=replace))
    return _exit_code(host)


def _host(plugins: tuple[Path, ...]) -> "Host":
    from echotrial import host

    return host.load(plugins)


def _exit_code(host: "Host") -> int:
    """Say which plugins failed to load; 3 if any did."""
    for failure in host.failures:
        click.echo(f"plugin {failure.plugin} failed to load: {failure.reason}", err=True)
    return 3 if host.failures else 0


def _say_what(made: "Corpus") -> None:
    counts = made.manifest.records
    click.echo(
        f"{made.name} ({made.origin}): {counts.prove} prove and {counts.tune} tune records of "
        f"{made.n_samples} samples in {made.folder}"
    )


@contextmanager
def _progress(what: str) -> "Iterator[Progress | None]":
    """A progress bar on a terminal, nothing where the output goes elsewhere."""
    from rich.console import Console
    from rich.progress import Progress as Bar

    console = Console(stderr=True)
    if not console.is_terminal:
        yield None
        return
    with Bar(console=console, transient=True) as bar:
        task: Any = bar.add_task(what, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)
