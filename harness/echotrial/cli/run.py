"""``echotrial run``: put detectors on trial over corpora."""

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from echotrial.cli.shown import Shown

if TYPE_CHECKING:
    from echotrial.corpus.store import Corpus
    from echotrial.host import Host, LoadedDetector
    from echotrial.trial.conduct import Progress

_FILE = click.Path(path_type=Path)


@click.command()
@click.argument("corpora", nargs=-1, metavar="[CORPUS]...")
@click.option("--detector", "detectors", multiple=True, help="Only these (default: all).")
@click.option(
    "--set", "assignments", multiple=True, metavar="DETECTOR.SETTING=VALUE", help="A setting."
)
@click.option("--plugin", "plugins", multiple=True, type=_FILE, help="Python file with detectors.")
@click.option("--entry-points/--no-entry-points", default=True, help="Load installed plugins.")
@click.option("--allow", multiple=True, help="Of the installed plugins only these.")
@click.option("--out", type=_FILE, help="Trial folder (default: trial-DATE-TIME here).")
@click.option("--records", type=click.IntRange(min=1), help="First records of each split only.")
@click.option("--size", default="run", show_default=True, help="Of synthetic corpora to build.")
@click.option("--seed", type=int, default=0, show_default=True, help="Of synthetic corpora.")
@click.option("--workers", type=click.IntRange(min=0), default=os.cpu_count, help="Processes.")
@click.option("--work", type=_FILE, help="Keep readings here, for this and later trials.")
@click.option("--cluster", help="Dask scheduler, tcp://HOST:PORT, or local:N.")
@click.option("--json", "as_json", is_flag=True, help="Print scores as JSON instead of tables.")
def run(
    corpora: tuple[str, ...],
    detectors: tuple[str, ...],
    assignments: tuple[str, ...],
    plugins: tuple[Path, ...],
    entry_points: bool,
    allow: tuple[str, ...],
    out: Path | None,
    records: int | None,
    size: str,
    seed: int,
    workers: int,
    work: Path | None,
    cluster: str | None,
    as_json: bool,
) -> int:
    """Put detectors on trial over CORPUS (folder, address, spec file or name in `corpus list`).

    Without arguments: the three shipped synthetic corpora and every recording imported so far.
    """
    if workers and cluster is None:
        from echotrial.engine import nest

        nest.warm(workers)  # before all else: it imports for two seconds, beside this process
    from echotrial import host as hosts
    from echotrial.trial import conduct
    from echotrial.trial.conduct import Request

    host = hosts.load(plugins, use_entry_points=entry_points, allow=allow or None)
    for failure in host.failures:
        click.echo(f"plugin {failure.plugin} failed to load: {failure.reason}", err=True)
    chosen = host.chosen(detectors)
    folder = out or Path(f"trial-{datetime.now():%Y%m%d-%H%M%S}")
    with _progress() as progress:
        with _compiling_on_the_first_run(host, chosen, corpora):
            opened = _obtained(host, corpora, seed, size, workers, progress)
        request = Request(
            opened,
            chosen,
            settings_from(assignments),
            records=records,
            workers=workers,
            measures=host.measures,
            work=work,
            cluster=cluster,
        )
        shown = Shown(folder, tables=not as_json)
        trial = conduct(request, folder, progress, _import_what_comes_later, shown.hear)
    path = shown.show(trial)
    if as_json:
        from echotrial.answers.form import printed

        click.echo(printed("trial", {"corpora": trial.verdicts["corpora"]}))
    else:
        click.echo(f"Report: {path}")
    return 3 if host.failures else 0


def _import_what_comes_later() -> None:
    """Statistics and pages: a second of imports, taken while workers read."""
    import_module("echotrial.scores.summary")
    import_module("echotrial.report.page")
    import_module("plotly.offline")
    import_module("echotrial.report.terminal")


def settings_from(assignments: Sequence[str]) -> dict[str, dict[str, Any]]:
    """Read ``detector.setting=value`` texts; numbers and true/false become what they look like.

    Raises
    ------
    WrongQuestion
        A text of another form.
    """
    import json

    from echotrial.errors import WrongQuestion

    found: dict[str, dict[str, Any]] = {}
    for text in assignments:
        key, equals, value = text.partition("=")
        detector, dot, setting = key.partition(".")
        if not (equals and dot and detector and setting):
            raise WrongQuestion(f"--set {text}: write DETECTOR.SETTING=VALUE, as threshold.mode=3")
        try:
            read = json.loads(value)
        except json.JSONDecodeError:
            read = value
        found.setdefault(detector, {})[setting] = read
    return found


@contextmanager
def _compiling_on_the_first_run(
    host: "Host", chosen: "list[LoadedDetector]", named: Sequence[str]
) -> Iterator[None]:
    """Nothing has been made here yet: compile detectors while the default corpora are made."""
    from echotrial.corpus import home
    from echotrial.engine.early import compiled_meanwhile

    first = next((e for e in host.corpora.values() if e.default), None)
    if named or first is None or home.corpora():
        yield
        return
    spec, materials = host.forward_model.read_spec(first.path), host.forward_model.materials()
    setup = spec.setup.resolved(lambda name: materials[name].impedance, list(materials))
    with compiled_meanwhile(chosen, setup, spec.rate_hz, spec.samples):
        yield


def _obtained(
    host: "Host",
    named: Sequence[str],
    seed: int,
    size: str,
    workers: int,
    progress: "Progress | None",
) -> "list[Corpus]":
    """Open, and where need be build, the corpora named, or those that `run` takes by default."""
    from echotrial.corpus import home
    from echotrial.corpus.find import obtain

    shipped = [e.name for e in host.corpora.values() if e.default]
    wanted = named or [*shipped, *map(str, home.corpora("recorded"))]
    found = []
    for what in wanted:
        done = 0

        def tell(made: int, total: int, what: str = what) -> None:
            nonlocal done
            if progress is not None:
                progress(f"making {Path(what).stem}", made - done, total)
            done = made

        found.append(obtain(host, what, seed=seed, size=size, workers=workers, progress=tell))
    return found


@contextmanager
def _progress() -> "Iterator[Progress | None]":
    """A progress bar for each corpus on a terminal, nothing where the output goes elsewhere."""
    from rich.console import Console
    from rich.progress import Progress as Bars
    from rich.progress import TaskID

    console = Console(stderr=True)
    if not console.is_terminal:
        yield None
        return
    tasks: dict[str, TaskID] = {}
    with Bars(console=console, transient=True) as bars:

        def tell(what: str, done: int, total: int) -> None:
            if what not in tasks:
                tasks[what] = bars.add_task(what, total=total)
            bars.advance(tasks[what], done)

        yield tell
