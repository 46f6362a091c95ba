"""``echotrial schema``: the forms of what ``--json`` prints."""

import click


@click.command()
@click.argument("form", required=False)
def schema(form: str | None) -> int:
    """Print the JSON Schema of FORM; without it, the forms and the commands that print them."""
    import json

    from echotrial.answers.form import FORMS
    from echotrial.answers.form import schema as schema_of

    if form is not None:
        click.echo(json.dumps(schema_of(form), indent=1))
        return 0
    for name, (_, _, commands) in FORMS.items():
        click.echo(f"{name:14} {commands}")
    return 0
