"""``echotrial compare``: did the second trial get worse than the first."""

from collections.abc import Sequence
from pathlib import Path

import click

_FILE = click.Path(path_type=Path)


@click.command()
@click.argument("trial_a", type=_FILE)
@click.argument("trial_b", type=_FILE)
@click.option("--margins", type=_FILE, help="TOML with margins by detector and corpus.")
@click.option("--pair", "pairs", multiple=True, metavar="A=B", help="Detector A with detector B.")
@click.option("--page", type=_FILE, help="Write an HTML page with the A-scans of flipped records.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.option("--markdown", "as_markdown", is_flag=True, help="Print Markdown.")
def compare(
    trial_a: Path,
    trial_b: Path,
    margins: Path | None,
    pairs: tuple[str, ...],
    page: Path | None,
    as_json: bool,
    as_markdown: bool,
) -> int:
    """Compare TRIAL_B with TRIAL_A, record by record.

    Exit code 1 when a detector got worse or fails anew, else 3 when anything is not comparable.
    """
    from echotrial.compare import compare as compared
    from echotrial.compare import read_rules, side_of
    from echotrial.errors import WrongQuestion
    from echotrial.trial import open_trial

    if as_json and as_markdown:
        raise WrongQuestion("--json and --markdown: choose one")
    before, after = open_trial(trial_a), open_trial(trial_b)
    a, b = side_of(before), side_of(after)
    rules, renamed = read_rules(margins), renamed_from(pairs)
    if margins is not None:
        rules.check({*a.detectors, *b.detectors}, {*a.corpora, *b.corpora}, str(margins))
    found = compared(a, b, rules, renamed)
    if page is not None:
        from echotrial.report import changes

        changes.write(found, before, after, page)
    if as_json:
        from echotrial.answers.form import printed
        from echotrial.compare.table import as_json as data

        click.echo(printed("comparison", data(found)))
    elif as_markdown:
        from echotrial.compare.markdown import markdown

        click.echo(markdown(found), nl=False)
    else:
        from echotrial.report.verdicts import show_comparison

        show_comparison(found)
        if page is not None:
            click.echo(f"Page: {page}")
    return found.exit_code


def renamed_from(pairs: Sequence[str]) -> dict[str, str] | None:
    """Read ``A=B`` texts; None where there are none.

    Raises
    ------
    WrongQuestion
        A text of another form.
    """
    from echotrial.errors import WrongQuestion

    found = {}
    for text in pairs:
        a, equals, b = text.partition("=")
        if not (equals and a and b):
            raise WrongQuestion(f"--pair {text}: write A=B, as threshold=my-idea")
        found[a] = b
    return found or None
