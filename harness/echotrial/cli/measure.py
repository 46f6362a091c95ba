"""``echotrial measure``: read new recordings with a method."""

from pathlib import Path

import click

_FILE = click.Path(path_type=Path)


@click.command()
@click.argument("method", type=_FILE)
@click.argument("traces", type=_FILE)
@click.option("--sample-rate", help="Of a bare waveform file, as '100 MHz'.")
@click.option("--first-sample", help="Its time of sample 0 (default: the method's).")
@click.option("--out", type=_FILE, help="CSV file (default: print).")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of CSV.")
@click.option("--plugin", "plugins", multiple=True, type=_FILE, help="Python file with detectors.")
def measure(
    method: Path,
    traces: Path,
    sample_rate: str | None,
    first_sample: str | None,
    out: Path | None,
    as_json: bool,
    plugins: tuple[Path, ...],
) -> int:
    """Read TRACES (a sheet, a corpus folder or a waveform file) with METHOD, as CSV.

    Each record has a thickness with its expanded uncertainty (k = 2) and the probability that it
    is right, or no reading and the reason.
    """
    from echotrial import host as hosts
    from echotrial.choose.measure import measure as read
    from echotrial.choose.method import read_method
    from echotrial.choose.traces import read_traces
    from echotrial.files import write_text
    from echotrial.sheet.words import CAUTION

    found = read_method(method)
    rate = _quantity(sample_rate, "frequency", "--sample-rate")
    first = _quantity(first_sample, "time", "--first-sample")
    table = read(found, read_traces(traces, found, rate, first), hosts.load(plugins))
    text = table.to_csv(index=False, float_format="%.6g")
    if out is not None:
        write_text(out, text)
    if as_json:
        from echotrial.answers.form import printed
        from echotrial.answers.method import measured

        click.echo(printed("measurement", measured(found, table)))
    elif out is None:
        click.echo(text, nl=False)
    given = int(table.iloc[:, 1].notna().sum())
    click.echo(f"{len(table)} records, {given} read. {CAUTION}", err=True)
    if found.calibration is None:
        click.echo(
            "No uncertainty, for the method is not calibrated: `echotrial calibrate`.", err=True
        )
    return 0


def _quantity(text: str | None, dimension: str, option: str) -> float | None:
    from echotrial.errors import WrongQuestion
    from echotrial.quantities import QuantityError, parse

    if text is None:
        return None
    try:
        return parse(text, dimension)
    except QuantityError as error:
        raise WrongQuestion(f"{option}: {error}") from None
