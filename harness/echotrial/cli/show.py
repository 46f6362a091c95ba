"""``echotrial show``: a trial again, or one record of it."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from echotrial.report.record import Record
    from echotrial.trial import Trial

_FILE = click.Path(path_type=Path)


@click.command()
@click.argument("trial", type=_FILE)
@click.argument("record", required=False)
@click.option("--out", type=_FILE, help="Write a picture (.svg, .png) or a page (.html).")
@click.option("--open", "opens", is_flag=True, help="Open the page in the browser.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def show(trial: Path, record: str | None, out: Path | None, opens: bool, as_json: bool) -> None:
    """Show TRIAL again, or RECORD of it: a number, or CORPUS:NUMBER where there are several.

    Without RECORD the tables are printed and report.html is written anew.
    """
    from echotrial.trial import open_trial

    opened = open_trial(trial)
    if record is None:
        _show_trial(opened, out, opens, as_json)
    else:
        from echotrial.report.facts import open_record

        _show_record(open_record(opened, record), out, opens, as_json)


def _show_trial(trial: "Trial", out: Path | None, opens: bool, as_json: bool) -> None:
    from echotrial.errors import WrongQuestion
    from echotrial.report import page

    if out is not None and out.suffix.lower() != ".html":
        raise WrongQuestion(f"{out}: the report of a trial is a page: name it .html")
    path = page.write(trial, out)
    if as_json:
        from echotrial.answers.form import printed

        click.echo(printed("trial", {"corpora": trial.verdicts["corpora"]}))
    else:
        from echotrial.report.terminal import show_trial

        show_trial(trial)
        click.echo(f"Report: {path}")
    if opens:
        _open(path)


def _show_record(record: "Record", out: Path | None, opens: bool, as_json: bool) -> None:
    from echotrial.report import facts

    if out is not None:
        _save(record, out)
    if as_json:
        from echotrial.answers.form import printed

        click.echo(printed("record", facts.as_json(record)))
    else:
        for line in facts.lines(record):
            click.echo(line)
    if out is not None:
        click.echo(f"Written: {out}", err=as_json)
    if opens:
        _open(out if out is not None and out.suffix == ".html" else _page_of(record))


def _save(record: "Record", out: Path) -> None:
    if out.suffix.lower() == ".html":
        from echotrial.report.single import write

        write(record, out)
    else:
        from echotrial.report.static import save

        save(record, out)


def _page_of(record: "Record") -> Path:
    """A page in a folder of its own, which the system clears some day."""
    import tempfile

    from echotrial.report.single import write

    path = Path(tempfile.mkdtemp(prefix="echotrial-")) / f"record-{record.number}.html"
    write(record, path)
    return path


def _open(path: Path) -> None:
    import webbrowser

    if not webbrowser.open(path.resolve().as_uri()):
        click.echo(f"no browser to be found; open {path} yourself", err=True)
