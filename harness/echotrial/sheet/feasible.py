"""`setup show` in words: what the set-up allows before any trial."""

import math

from rich.console import Console
from rich.table import Table

from echotrial.choose.feasibility import WET_FILM_M, Feasibility, Wall
from echotrial.sheet.words import CAUTION, decibel, signed


def show(found: Feasibility, console: Console) -> None:
    """Print everything; nothing is wider than the console."""
    setup, job = found.job.setup, found.job
    low, high = (job.length(w) for w in setup.wall_range)
    console.print(
        f"Walls of {low} to {high}, {job.part}; {setup.velocity:g} m/s; "
        f"{setup.centre_frequency / 1e6:g} MHz, wavelength {job.length(setup.wavelength_m)}."
    )
    console.print("\n[bold]Expected echoes[/bold] (of the bare tip's echo; + as the bare tip)")
    console.print(_echoes(found))
    console.print(_tail(found), highlight=False)
    console.print("\n[bold]Delay lines on this wall[/bold] (no couplant, no loss)")
    console.print(_pairs(found))
    console.print(_polarity(found), highlight=False)
    console.print("\n[bold]Modes of ISO 16809[/bold]")
    for case in found.modes:
        word = "plausible" if case.plausible else "no"
        console.print(f"  mode {case.mode}: {word} - {case.why}", highlight=False)
    console.print("\n[bold]Beware of[/bold]")
    for line in _beware(found):
        console.print(f"  {line}", highlight=False)
    _hopeless(found, console)
    console.print(f"\nComputed, not measured. {CAUTION}", highlight=False)


def _hopeless(found: Feasibility, console: Console) -> None:
    if found.hopeless:
        console.print("\n[bold]Hopeless[/bold]")
        for line in found.hopeless:
            console.print(f"  {line}", highlight=False)


def _echoes(found: Feasibility) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0))
    for name in ("wall", "wavelengths", "pulse lengths", "interface", "1st", "2nd", "3rd",
                 "standing", "out of tail", "bound um"):  # fmt: skip
        table.add_column(name, justify="right")
    delayed = found.job.setup.delay_line is not None
    for wall in found.walls:
        table.add_row(*_row(found, wall, delayed))
    return table


def _row(found: Feasibility, wall: Wall, delayed: bool) -> list[str]:
    amplitude = [*wall.amplitude] if delayed else [math.nan, *wall.amplitude]
    shown = [signed(a) if math.isfinite(a) else "-" for a in (*amplitude, *[math.nan] * 4)[:4]]
    bound = f"{1e6 * wall.bound_m:.2g}" if math.isfinite(wall.bound_m) else "-"
    late = f"from {wall.out_of_tail}" if wall.out_of_tail else "none"
    return [
        found.job.length(wall.thickness_m), f"{wall.wavelengths:.2f}",
        f"{wall.pulse_lengths:.2f}", *shown, str(wall.standing), late, bound,
    ]  # fmt: skip


def _tail(found: Feasibility) -> str:
    job = found.job
    return (
        f"The tail ends at {found.tail_end_s * 1e6:.3f} us: first back-wall echoes come out of it "
        f"from a wall of {job.length(found.first_from_m)} on. Noise (middling): "
        f"{100 * found.noise:.2g} % rms; an echo stands from three times that on."
    )


def _pairs(found: Feasibility) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("delay line", no_wrap=True)
    for name in ("MRayl", "interface echo", "level", "1st back-wall echo", "level"):
        table.add_column(name, justify="right")
    for p in found.pairs:
        table.add_row(
            p.name, f"{p.impedance / 1e6:.3g}", signed(p.interface), decibel(abs(p.interface)),
            signed(p.back_wall), decibel(p.back_wall),
        )  # fmt: skip
    return table


def _polarity(found: Feasibility) -> str:
    sign = found.job.setup.interface_polarity
    if sign == 0:
        return "Signs are not known: give impedances or materials of delay line and wall."
    if sign < 0:
        return "Interface echo -, back-wall echoes all + (Z_delay < Z_wall)."
    return "Interface echo +, back-wall echoes +, -, + in turn (Z_delay > Z_wall)."


def _beware(found: Feasibility) -> list[str]:
    setup, job = found.job.setup, found.job
    film = float(setup.thickness_m(found.film_s, mode=3))
    lines = [
        f"wet tip: a {1e6 * WET_FILM_M:.0f} um film of couplant rings every "
        f"{1e9 * found.film_s:.0f} ns, like a wall of {job.length(film)}"
    ]
    if math.isfinite(found.repeat_s):
        wall = float(setup.thickness_m(found.repeat_s, mode=3))
        orders = int(found.repeat_s / float(setup.interval_s(setup.wall_range[1])))
        lines.append(
            f"the delay line's second echo comes {1e6 * found.repeat_s:.2f} us after the first, "
            f"where the back-wall echo of {job.length(wall)} would; the thickest wall has "
            f"{orders} echoes before it"
        )
    return lines
