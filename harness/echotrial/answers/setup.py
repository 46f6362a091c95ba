"""What a set-up allows before any trial, and the materials that it may name."""

from collections.abc import Mapping
from typing import Any, Final, Literal

from pydantic import Field

from echotrial.choose.feasibility import Feasibility, Wall
from echotrial.hooks import Material
from echotrial.sheet.words import CAUTION
from echotrial.strict import Strict

FEASIBILITY: Final = "echotrial.feasibility/1"
MATERIALS: Final = "echotrial.materials/1"
Number = float | None


class ExpectedEcho(Strict):
    """An echo without noise."""

    order: int = Field(description="0 = interface echo; without a delay line the first is 1")
    at_us: float
    amplitude: float = Field(description="relative to the bare tip's echo, signed")


class WallData(Strict):
    """One wall of the range."""

    thickness_mm: float
    wavelengths: float
    pulse_lengths: float
    echoes: list[ExpectedEcho]
    standing: int = Field(description="back-wall echoes above 3 sigma of the middling noise")
    sure: int = Field(description="back-wall echoes above twice that")
    out_of_tail: int = Field(description="order of the first after the tail; 0 = none")
    bound_um: Number = Field(description="Cramer-Rao bound, one standard deviation")


class DelayLineData(Strict):
    """A delay line on this wall, without couplant and loss; the set-up's own comes first."""

    name: str
    impedance_mrayl: float
    interface: float = Field(description="pressure, relative to the bare tip's echo, signed")
    back_wall: float = Field(description="pressure of the first back-wall echo")


class ModeData(Strict):
    """A mode of ISO 16809."""

    mode: Literal[1, 2, 3]
    plausible: bool
    why: str


class FeasibilityData(Strict):
    """What a set-up allows, computed and not measured."""

    schema_: Literal["echotrial.feasibility/1"] = Field(FEASIBILITY, alias="schema")
    part: str
    wall_range_mm: tuple[float, float]
    velocity_m_s: float
    centre_frequency_mhz: float
    wavelength_mm: float
    walls: list[WallData]
    tail_end_us: Number
    first_from_mm: float = Field(description="wall whose first echo comes out of the tail")
    noise: float = Field(description="rms, relative to the bare tip's echo")
    interface_polarity: int = Field(description="relative to the bare tip's echo; 0 = not known")
    delay_lines: list[DelayLineData]
    modes: list[ModeData]
    film_us: float = Field(description="spacing of the echoes of a film on a wet tip")
    repeat_us: Number = Field(description="from the interface echo to the delay line's second echo")
    hopeless: list[str]
    caution: str


class MaterialData(Strict):
    """A row of the table of materials."""

    name: str
    velocity_m_s: float
    density_kg_m3: float
    impedance_mrayl: float
    spread: float = Field(description="of published velocities, relative")
    source: str


class MaterialsData(Strict):
    """The materials that a set-up may name."""

    schema_: Literal["echotrial.materials/1"] = Field(MATERIALS, alias="schema")
    materials: list[MaterialData]


def allowed(found: Feasibility) -> dict[str, Any]:
    """What a set-up allows, as data."""
    setup = found.job.setup
    first = 0 if setup.delay_line is not None else 1
    return {
        "part": found.job.part,
        "wall_range_mm": [1e3 * w for w in setup.wall_range],
        "velocity_m_s": setup.velocity,
        "centre_frequency_mhz": setup.centre_frequency / 1e6,
        "wavelength_mm": setup.wavelength_m * 1e3,
        "walls": [_wall(wall, first) for wall in found.walls],
        "tail_end_us": found.tail_end_s * 1e6,
        "first_from_mm": found.first_from_m * 1e3,
        "noise": found.noise,
        "interface_polarity": setup.interface_polarity,
        "delay_lines": [
            {
                "name": p.name,
                "impedance_mrayl": p.impedance / 1e6,
                "interface": p.interface,
                "back_wall": p.back_wall,
            }
            for p in found.pairs
        ],
        "modes": [vars(m) for m in found.modes],
        "film_us": found.film_s * 1e6,
        "repeat_us": found.repeat_s * 1e6,
        "hopeless": found.hopeless,
        "caution": CAUTION,
    }


def _wall(wall: Wall, first: int) -> dict[str, Any]:
    echoes = zip(wall.echo_s, wall.amplitude, strict=True)
    return {
        "thickness_mm": wall.thickness_m * 1e3,
        **{k: getattr(wall, k) for k in ("wavelengths", "pulse_lengths", "standing", "sure")},
        "echoes": [
            {"order": k, "at_us": at * 1e6, "amplitude": amplitude}
            for k, (at, amplitude) in enumerate(echoes, start=first)
        ],
        "out_of_tail": wall.out_of_tail,
        "bound_um": wall.bound_m * 1e6,
    }


def table(materials: Mapping[str, Material]) -> dict[str, Any]:
    """The table of materials, as data."""
    return {
        "materials": [
            {
                "name": name,
                "velocity_m_s": row.velocity,
                "density_kg_m3": row.density,
                "impedance_mrayl": row.impedance / 1e6,
                "spread": row.spread,
                "source": row.source,
            }
            for name, row in materials.items()
        ]
    }
