"""``echotrial setup``: write a set-up file, and see what it allows before any trial."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from echotrial.choose.feasibility import Feasibility
    from echotrial.hooks import ForwardModel

_FILE = click.Path(path_type=Path)
_json = click.option("--json", "as_json", is_flag=True, help="Print JSON.")


@click.group()
def setup() -> None:
    """Write a set-up file, and see what it allows before any trial."""


@setup.command()
@click.argument("file", type=_FILE)
@click.option("--wall", prompt="Wall material", help="Name in the table (`setup materials`).")
@click.option("--velocity", help="In the wall (default: that of the table).")
@click.option("--velocity-uncertainty", help="Standard uncertainty (default: 0.25 %).")
@click.option("--thinnest", prompt="Thinnest wall, as '0.2 mm' or '0.008 in'")
@click.option("--thickest", prompt="Thickest wall")
@click.option("--outside-diameter", help="Of a tube; left out: flat.")
@click.option("--concave-diameter", help="Of a hollow measured from inside.")
@click.option("--frequency", prompt="Centre frequency, as '20 MHz'")
@click.option("--bandwidth", help="-6 dB (default: 60 % is assumed).")
@click.option("--element", default="3 mm", show_default=True, help="Diameter of the element.")
@click.option("--delay-line", prompt="Delay line material", default="polystyrene")
@click.option("--delay-length", default="10 mm", show_default=True, help="'none': no delay line.")
@click.option("--couplant", default="glycerin", show_default=True)
@click.option("--mode", type=click.IntRange(1, 3), help="Of ISO 16809 (default: all are tried).")
@click.option("--relative", default="1 %", show_default=True, help="Tolerance, of the wall.")
@click.option("--absolute", default="5 um", show_default=True, help="Tolerance, at least.")
@click.option("--sample-rate", help="Of the instrument.")
@click.option("--bits", type=click.IntRange(4, 16), help="Of its digitiser (default: 12).")
@click.option("--replace", is_flag=True, help="Write over a file that is there.")
def new(file: Path, replace: bool, **given: Any) -> int:
    """Write FILE, a set-up with comments; what is not given as an option is asked.

    The file is read back and refused, with the reason, where no part and probe can be like that.
    """
    from echotrial.choose.job import read_job
    from echotrial.choose.newfile import text
    from echotrial.errors import WrongQuestion
    from echotrial.files import new_file

    if file.exists() and not replace:
        raise WrongQuestion(f"{file}: is there already; choose another name or say --replace")
    materials = _model().materials()
    with new_file(file) as part:
        words = text(_values(given, materials), materials)
        part.write_text(words, encoding="utf-8", newline="\n")
        try:
            read_job(part, materials)
        except WrongQuestion as error:
            raise WrongQuestion(str(error).replace(str(part), str(file))) from None
    click.echo(f"{file}: written. Next: echotrial setup show {file}")
    return 0


def _values(given: dict[str, Any], materials: Any) -> dict[str, Any]:
    from echotrial.choose.newfile import SPREAD, named
    from echotrial.quantities import parse

    wall = named(given["wall"], "wall", materials)
    velocity = parse(given["velocity"], "velocity") if given["velocity"] else wall.velocity
    values = {
        "centre_frequency": given["frequency"],
        "element_diameter": given["element"],
        "velocity": given["velocity"] or f"{wall.velocity:g} m/s",
        "velocity_uncertainty": given["velocity_uncertainty"] or f"{velocity * SPREAD:.3g} m/s",
        "wall_range": [given["thinnest"], given["thickest"]],
        "tolerance": {"relative": given["relative"], "absolute": given["absolute"]},
        "wall": {"material": wall.name},
        "couplant": {"material": named(given["couplant"], "couplant", materials).name},
    }
    same = ("bandwidth", "outside_diameter", "concave_diameter", "mode", "sample_rate", "bits")
    values |= {key: given[key] for key in same if given[key] is not None}
    if given["delay_length"] != "none":
        line = named(given["delay_line"], "delay line", materials)
        values["delay_line"] = {"material": line.name, "length": given["delay_length"]}
    return values


@setup.command()
@click.argument("file", type=_FILE)
@click.option("--picture", type=_FILE, help="Draw the expected A-scan into this SVG file.")
@_json
def show(file: Path, picture: Path | None, as_json: bool) -> int:
    """Show what the set-up in FILE allows: echoes, tail, modes, bound, and what is hopeless."""
    from echotrial.choose.feasibility import feasibility
    from echotrial.choose.job import read_job
    from echotrial.files import write_text
    from echotrial.sheet import feasible
    from echotrial.sheet.words import console

    model = _model()
    found = feasibility(model, read_job(file, model.materials()))
    if as_json:
        from echotrial.answers.form import printed
        from echotrial.answers.setup import allowed

        click.echo(printed("feasibility", allowed(found)))
    else:
        feasible.show(found, console())
    if picture is not None:
        write_text(picture, _drawn(found))
        click.echo(f"{picture}: the expected A-scan (computed)", err=as_json)
    return 0


@setup.command()
@_json
def materials(as_json: bool) -> int:
    """List the materials that a set-up may name, with source and spread of their values."""
    found = _model().materials()
    if as_json:
        from echotrial.answers.form import printed
        from echotrial.answers.setup import table

        click.echo(printed("materials", table(found)))
        return 0
    for name, row in found.items():
        click.echo(
            f"{name:20} {row.velocity:7.0f} m/s +-{row.spread:5.1%} {row.density:6.0f} kg/m^3 "
            f"{row.impedance / 1e6:6.2f} MRayl  {row.source}"
        )
    return 0


def _drawn(found: "Feasibility") -> str:
    from echotrial.sheet.ascan import Mark, drawing

    wall = found.walls[len(found.walls) // 2]
    delayed = found.job.setup.delay_line is not None
    words = ["interface", *map(str, range(1, 9))] if delayed else [*map(str, range(1, 9))]
    marks = [Mark(t, w) for t, w in zip(wall.echo_s, words, strict=False)]
    last = found.time_s <= wall.echo_s[min(8, wall.echo_s.size - 1)] + 0.3e-6
    title = f"Expected A-scan (computed), wall {found.job.length(wall.thickness_m)}"
    return drawing(found.time_s[last], found.samples[last], marks, title, found.tail_end_s)


def _model() -> "ForwardModel":
    """The forward model alone: detectors take a second to load, and nothing here reads an echo."""
    from echotrial import host

    quick = host.load(allow=["corpora"])
    return quick.forward_model if quick.models else host.load().forward_model
