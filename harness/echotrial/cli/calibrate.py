"""``echotrial calibrate``: velocity and zero offset of a method from reference samples."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from echotrial.choose.standardise import Standardised

_FILE = click.Path(path_type=Path)


@click.command()
@click.argument("method", type=_FILE)
@click.argument("recorded")
@click.option("--out", type=_FILE, help="Calibrated method (default: NAME-calibrated.toml).")
@click.option("--plugin", "plugins", multiple=True, type=_FILE, help="Python file with detectors.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def calibrate(
    method: Path, recorded: str, out: Path | None, plugins: tuple[Path, ...], as_json: bool
) -> int:
    """Calibrate METHOD on RECORDED, a corpus of reference samples (`corpus import` makes one).

    In mode 3 the velocity alone; in modes 1 and 2 one sample gives the zero offset, two give
    both, more give both by least squares with a test of the straight line.
    """
    from echotrial import host as hosts
    from echotrial.choose.method import read_method, write_method
    from echotrial.choose.standardise import standardise
    from echotrial.corpus.find import opened
    from echotrial.sheet.page import write_sheet

    found = standardise(read_method(method), opened(recorded), hosts.load(plugins))
    target = page = None
    if found.calibration.fits:
        target = out or method.with_name(f"{method.stem}-calibrated.toml")
        write_method(found.method, target)
        page = write_sheet(found.method, method.parent, f"{target.stem}-sheet.html")
    if as_json:
        from echotrial.answers.form import printed
        from echotrial.answers.method import calibrated

        files = [None if path is None else str(path) for path in (target, page)]
        click.echo(printed("calibration", calibrated(found, *files)))
    else:
        _show(found)
        _show_files(target, page)
    return 1 if found.refused or target is None else 0


def _show_files(method: Path | None, sheet: Path | None) -> None:
    if method is None:
        click.echo("The samples do not lie on a straight line: nothing was written.", err=True)
        return
    click.echo(f"Calibrated method: {method}")
    if sheet is not None:
        click.echo(f"Method sheet: {sheet}")


def _show(found: "Standardised") -> None:
    from echotrial.sheet.words import CAUTION

    c, mm = found.calibration, 1e3
    for refusal in found.refused:
        click.echo(f"refused {refusal.name}: {refusal.reason}", err=True)
    residuals = c.residual_m or (0.0,) * len(found.samples)
    for sample, residual in zip(found.samples, residuals, strict=False):
        click.echo(
            f"{sample.name}: {sample.thickness_m * mm:.4f} mm, u {sample.thickness_u_m * 1e6:.2g} "
            f"um; {sample.interval_s * 1e9:.2f} ns, u {sample.interval_u_s * 1e9:.2g} ns; off the "
            f"line by {residual * 1e6:+.2f} um"
        )
    click.echo(f"velocity {c.velocity:.1f} m/s, u {c.velocity_u:.2g} m/s ({c.kind})")
    click.echo(f"zero offset {c.zero_offset * 1e9:.2f} ns, u {c.zero_offset_u * 1e9:.2g} ns")
    click.echo(f"correlation {c.correlation:+.3f}")
    if c.p_value == c.p_value:
        word = "no lack of fit" if c.fits else "LACK OF FIT"
        click.echo(f"straight line: {word} (chi-squared, p = {c.p_value:.2g})")
    low, high = c.holds_m
    click.echo(f"holds from {low * mm:.4g} to {high * mm:.4g} mm")
    if not found.covers:
        click.echo("The samples do not bracket the wall range: beyond them readings are marked.")
    for b in found.method.budgets():
        click.echo(
            f"at {b.thickness_m * mm:.4g} mm: U = {b.expanded_m * 1e6:.2f} um (k = 2; Monte Carlo "
            f"{b.drawn_expanded_m * 1e6:.2f} um)"
        )
    click.echo(CAUTION)
