"""``echotrial corpus``: build, import, fetch, check, list and show corpora."""

import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from echotrial.corpus.build import Progress
    from echotrial.corpus.check import Finding
    from echotrial.corpus.store import Corpus
    from echotrial.host import Host

_FILE = click.Path(path_type=Path)
_plugins = click.option(
    "--plugin", "plugins", multiple=True, type=_FILE, help="Python file with more plugins."
)
_out = click.option("--out", type=_FILE, help="Folder to make (default: among your corpora).")
_replace = click.option("--replace", is_flag=True, help="Make it anew where it is there already.")
_json = click.option("--json", "as_json", is_flag=True, help="Print JSON.")


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


@corpus.command()
@click.argument("names", nargs=-1)
@click.option("--from", "base", help="Address of a mirror (default: ECHOTRIAL_MIRROR, else home).")
@_out
@_replace
@_plugins
def fetch(
    names: tuple[str, ...],
    base: str | None,
    out: Path | None,
    replace: bool,
    plugins: tuple[Path, ...],
) -> int:
    """Bring the recorded sets NAMES (see `corpus list`) from their public home."""
    from echotrial.corpus import catalogue
    from echotrial.errors import WrongQuestion

    host = _host(plugins)
    if not names or (out is not None and len(names) > 1):
        known = ", ".join(n for n, e in host.corpora.items() if e.kind == "recorded")
        raise WrongQuestion(f"name a recorded set (one with --out): {known or 'none on offer'}")
    for entry in [catalogue.entry_named(host, name) for name in names]:
        made = catalogue.fetch(entry, base=base, out=out, replace=replace)
        _say_what(made)
        for key in ("licence", "source", "citation", "suspect"):
            click.echo(f"  {key}: {' '.join(getattr(made.manifest, key).split())}")
    return _exit_code(host)


@corpus.command()
@click.argument("corpora", nargs=-1, required=True)
@click.option("--records", "every", is_flag=True, help="Name every record, one a line.")
@_json
def check(corpora: tuple[str, ...], every: bool, as_json: bool) -> int:
    """Look for damage, dead, clipped and duplicate traces, and labels that echoes contradict.

    CORPORA are folders, or names from `corpus list`. Exit code 1 where something is wrong;
    clipped records and walls outside the range are only told.
    """
    from echotrial.corpus.check import check as look
    from echotrial.corpus.find import opened

    examined = []
    for what in corpora:
        found = opened(what)
        examined.append((found, look(found)))
        if not as_json:
            _show_findings(*examined[-1], every)
    if as_json:
        from echotrial.answers.corpora import checked
        from echotrial.answers.form import printed

        click.echo(printed("corpus-check", {"corpora": [checked(*one) for one in examined]}))
    return int(any(f.wrong for _, findings in examined for f in findings))


def _show_findings(found: "Corpus", findings: "Sequence[Finding]", every: bool) -> None:
    click.echo(f"{found.name}, {len(found)} records: {_verdict([f.wrong for f in findings])}")
    for finding in findings:
        mark = "WRONG" if finding.wrong else "note"
        click.echo(f"  {mark:<6}{finding.rule}: {finding.says}")
        if every and finding.records:
            click.echo("\n".join(f"        {r}" for r in finding.records))


def _verdict(wrong: list[bool]) -> str:
    if any(wrong):
        return "not as it should be"
    return "nothing wrong, but note" if wrong else "nothing found"


@corpus.command(name="list")
@_plugins
@_json
def list_(plugins: tuple[Path, ...], as_json: bool) -> int:
    """List the specs and recorded sets on offer, and the corpora that are here."""
    from echotrial.corpus import home
    from echotrial.corpus.catalogue import entry_named
    from echotrial.corpus.find import spec_named

    host = _host(plugins)
    found = {
        "specs": list(_offers(host, "spec", spec_named)),
        "recorded": list(_offers(host, "recorded", entry_named)),
        "here": [_state(folder) for folder in home.corpora()],
        "home": str(home.home()),
    }
    if as_json:
        from echotrial.answers.form import printed

        click.echo(printed("corpora", found))
    else:
        _show_listing(found)
    return _exit_code(host)


def _offers(
    host: "Host", kind: str, read: "Callable[[Host, str], Any]"
) -> "Iterator[dict[str, Any]]":
    from echotrial.errors import EchotrialError

    for name, entry in host.corpora.items():
        if entry.kind != kind:
            continue
        about = trouble = ""
        try:
            about = " ".join(read(host, name).about.split())
        except EchotrialError as error:
            trouble = str(error)
        yield {"name": name, "default": entry.default, "about": about, "error": trouble}


def _state(folder: Path) -> dict[str, Any]:
    from echotrial.corpus.store import Corpus
    from echotrial.errors import EchotrialError

    where = {"name": folder.name, "folder": str(folder)}
    try:
        found = Corpus.open(folder)
    except EchotrialError as error:
        return {**where, "origin": None, "prove": None, "tune": None, "error": str(error)}
    counts = found.manifest.records
    sizes = {"prove": counts.prove, "tune": counts.tune}
    return {**where, "origin": found.origin, **sizes, "error": ""}


def _show_listing(found: Mapping[str, Any]) -> None:
    for heading, key in (("Specs to build:", "specs"), ("Recorded sets to fetch:", "recorded")):
        click.echo(heading)
        for offer in found[key]:
            taken = " (taken by run without arguments)" if offer["default"] else ""
            about = f"cannot be read: {offer['error']}" if offer["error"] else offer["about"]
            click.echo(f"  {offer['name']}{taken}")
            click.echo(click.wrap_text(about, 100, "      ", "      "))
    click.echo(f"Corpora here, in {found['home']}:")
    for one in found["here"]:
        counts = f"{one['origin']}, {one['prove']} prove, {one['tune']} tune"
        state = f"cannot be opened: {one['error']}" if one["error"] else counts
        click.echo(f"  {one['name']:<44} {state}")


@corpus.command()
@click.argument("what", metavar="CORPUS")
@click.option("--out", type=_FILE, help="Page to write (default: CORPUS.html here).")
@click.option("--record", "records", type=int, multiple=True, help="Record to draw (repeatable).")
@click.option("--no-page", is_flag=True, help="Print the figures only.")
@_json
def show(
    what: str, out: Path | None, records: tuple[int, ...], no_page: bool, as_json: bool
) -> None:
    """Print what is in CORPUS and write a page of sample A-scans with the truth marked."""
    from echotrial.corpus.find import opened
    from echotrial.corpus.show import lines, page, summary

    found = opened(what)
    if as_json:
        from echotrial.answers.corpora import described
        from echotrial.answers.form import printed

        click.echo(printed("corpus", described(found, summary(found))))
    else:
        click.echo("\n".join(lines(found, summary(found))))
    if not no_page:
        path = out or Path(f"{found.name}.html")
        page(found, path, records)
        click.echo(f"sample A-scans: {path}", err=as_json)
