"""``echotrial guard``: fail where detection accuracy is worse than a committed baseline."""

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from echotrial.compare import Rules
    from echotrial.guard import Report, Wanted

_FILE = click.Path(path_type=Path)


@click.command()
@click.argument("corpora", nargs=-1, metavar="[CORPUS]...")
@click.option("--baseline", required=True, type=_FILE, help="File to hold the detectors to.")
@click.option("--margins", type=_FILE, help="TOML with margins by detector and corpus.")
@click.option("--accept", is_flag=True, help="Make this trial the baseline (with --because).")
@click.option("--because", help="Why: it is written into the baseline.")
@click.option("--junit", type=_FILE, help="Write JUnit XML here.")
@click.option("--markdown", type=_FILE, help="Write a Markdown summary here.")
@click.option("--annotate/--no-annotate", default=None,
              help="Print annotations (default: where GITHUB_ACTIONS is set).")  # fmt: skip
@click.option("--detector", "detectors", multiple=True, help="Only these.")
@click.option(
    "--set", "assignments", multiple=True, metavar="DETECTOR.SETTING=VALUE", help="A setting."
)
@click.option("--plugin", "plugins", multiple=True, type=_FILE, help="Python file with detectors.")
@click.option("--entry-points/--no-entry-points", default=True, help="Load installed plugins.")
@click.option("--size", help="Of synthetic corpora (default: the baseline's, first smoke).")
@click.option("--seed", type=int, help="Of synthetic corpora (default: the baseline's, first 0).")
@click.option("--workers", type=click.IntRange(min=0), default=os.cpu_count, help="Processes.")
@click.option("--out", type=_FILE, help="Keep the trial in this folder.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def guard(
    corpora: tuple[str, ...],
    baseline: Path,
    margins: Path | None,
    accept: bool,
    because: str | None,
    junit: Path | None,
    markdown: Path | None,
    annotate: bool | None,
    detectors: tuple[str, ...],
    assignments: tuple[str, ...],
    plugins: tuple[Path, ...],
    entry_points: bool,
    size: str | None,
    seed: int | None,
    workers: int,
    out: Path | None,
    as_json: bool,
) -> int:
    """Put detectors on trial over CORPUS and compare with a baseline of their accuracy.

    Without arguments: the three shipped synthetic corpora, small. Exit code 1 when a detector got
    worse by more than chance and more than the margin, or fails anew; 3 when anything in the
    baseline was not compared; else 0.
    """
    from echotrial import guard as guards
    from echotrial.cli.run import settings_from
    from echotrial.compare import read_rules
    from echotrial.errors import WrongQuestion

    if accept != (because is not None):
        raise WrongQuestion("--accept and --because go together: a baseline has a reason")
    rules = read_rules(margins)
    wanted = guards.Wanted(corpora, detectors, plugins, settings_from(assignments), size, seed,
                           workers, out, entry_points)  # fmt: skip
    if because is not None:
        return _accept(baseline, because, wanted, rules, as_json)
    report = guards.guard(baseline, wanted, rules)
    _write(report, junit, markdown)
    if as_json:
        from echotrial.answers.comparison import guarded
        from echotrial.answers.form import printed

        click.echo(printed("guard", guarded(report)))
        return report.exit_code
    _show(report, os.environ.get("GITHUB_ACTIONS") == "true" if annotate is None else annotate)
    return report.exit_code


def _accept(path: Path, because: str, wanted: "Wanted", rules: "Rules", as_json: bool) -> int:
    from echotrial import guard as guards
    from echotrial.report.verdicts import show_comparison

    found, report = guards.accept(path, because, wanted, rules)
    if as_json:
        from echotrial.answers.comparison import accepted
        from echotrial.answers.form import printed

        click.echo(printed("guard", accepted(found, report, str(path), because)))
        return 0
    if report is not None:
        show_comparison(report.comparison)
    n = sum(c.records.size for c in found.side.corpora.values())
    click.echo(
        f"accepted {path}: {len(found.side.detectors)} detectors, {len(found.side.corpora)} "
        f"corpora, {n} records, {path.stat().st_size / 1024:.0f} KiB"
    )
    return 0


def _write(report: "Report", junit: Path | None, markdown: Path | None) -> None:
    from echotrial.files import write_text
    from echotrial.guard.junit import junit as as_junit
    from echotrial.guard.summary import summary

    if junit is not None:
        write_text(junit, as_junit(report))
    if markdown is not None:
        write_text(markdown, summary(report))
    step = os.environ.get("GITHUB_STEP_SUMMARY")
    if step:
        with Path(step).open("a", encoding="utf-8") as file:
            file.write(summary(report))


def _show(report: "Report", annotate: bool) -> None:
    from echotrial.guard.annotations import annotations
    from echotrial.report.verdicts import show_comparison

    show_comparison(report.comparison)
    for trouble in report.troubles:
        click.echo(trouble, err=True)
    if report.new:
        click.echo(f"not in the baseline, so not judged: {', '.join(report.new)}")
    for line in annotations(report) if annotate else ():
        click.echo(line)
    click.echo(f"guard: {report.answer}")
