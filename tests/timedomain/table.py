"""Lossless layered cases, and how far two ways to compute the same record lie apart."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.timedomain.exam import pulse
from tests.timedomain.lattice import Lattice, on_lattice, respond, respond_by_order

Array = NDArray[np.float64]
Medium = tuple[float, float]  # density kg/m^3, velocity m/s

#: From memory, inside the bands of handbooks; air is a vacuum here (r = -1 to 2e-5).
POLYSTYRENE: Medium = (1050.0, 2350.0)
FUSED_SILICA: Medium = (2200.0, 5960.0)
GLYCERIN: Medium = (1260.0, 1904.0)
WATER: Medium = (998.2, 1482.4)
STAINLESS_316: Medium = (8000.0, 5740.0)
NYLON_66: Medium = (1140.0, 2620.0)
VACUUM: Medium = (0.0, 343.0)

STEP = 0.05e-9
DURATION = 4e-6
PULSE_START = 0.1e-6


@dataclass(frozen=True)
class Case:
    """One stack and probe; `gaps_m` of the strips and `wall_m` are rounded to the lattice."""

    name: str
    frequency: float
    delay: Medium
    couplant: Medium
    gaps_m: tuple[float, ...]
    wall: Medium
    wall_m: float
    backing: Medium = VACUUM

    @property
    def exact_gaps_m(self) -> list[float]:
        return [on_lattice(gap, self.couplant[1], STEP)[1] for gap in self.gaps_m]

    @property
    def exact_wall_m(self) -> float:
        return on_lattice(self.wall_m, self.wall[1], STEP)[1]

    @property
    def wavelengths(self) -> float:
        return self.exact_wall_m * self.frequency / self.wall[1]

    def lattice(self) -> Lattice:
        couplant = tuple(on_lattice(gap, self.couplant[1], STEP)[0] for gap in self.gaps_m)
        wall, _ = on_lattice(self.wall_m, self.wall[1], STEP)
        media = (self.delay, self.couplant, self.wall, self.backing)
        delay, film, part, behind = (density * velocity for density, velocity in media)
        return Lattice(delay, film, part, behind, couplant, wall)

    def incident(self) -> Array:
        """Pressure that runs down the delay line, on the lattice's clock."""
        time = STEP * np.arange(round(DURATION / STEP), dtype=np.float64)
        return pulse(self.frequency, 0.6 * self.frequency)(np.asarray(time - PULSE_START))


_SPREAD = tuple(np.linspace(2e-6, 12e-6, 9))

CASES = [
    Case("touching, thick", 20e6, POLYSTYRENE, GLYCERIN, (0.0,), STAINLESS_316, 1.2e-3),
    Case("film 3 um, thick", 20e6, POLYSTYRENE, GLYCERIN, (3e-6,), STAINLESS_316, 1.0e-3),
    Case("film 5 um of water, thick", 20e6, POLYSTYRENE, WATER, (5e-6,), STAINLESS_316, 1.0e-3),
    Case("film 4 um, thin", 20e6, POLYSTYRENE, GLYCERIN, (4e-6,), STAINLESS_316, 0.13e-3),
    Case("film 12 um, thinner", 20e6, POLYSTYRENE, GLYCERIN, (12e-6,), STAINLESS_316, 0.05e-3),
    Case("film 5 um of water, thin", 20e6, POLYSTYRENE, WATER, (5e-6,), STAINLESS_316, 0.13e-3),
    Case("curved gap, thin", 20e6, POLYSTYRENE, GLYCERIN, _SPREAD, STAINLESS_316, 0.13e-3),
    Case("flooded 60 um", 20e6, POLYSTYRENE, GLYCERIN, (60e-6,), STAINLESS_316, 0.4e-3),
    Case("water behind", 20e6, POLYSTYRENE, GLYCERIN, (4e-6,), STAINLESS_316, 0.13e-3, WATER),
    Case("matched polymer, thick", 10e6, POLYSTYRENE, GLYCERIN, (5e-6,), NYLON_66, 1.2e-3),
    Case("matched polymer, thin", 10e6, POLYSTYRENE, GLYCERIN, (5e-6,), NYLON_66, 0.1e-3),
    Case("silica, thick", 10e6, FUSED_SILICA, GLYCERIN, (4e-6,), NYLON_66, 1.2e-3),
    Case("silica, thin", 10e6, FUSED_SILICA, GLYCERIN, (8e-6,), NYLON_66, 0.1e-3),
    Case("wet tip", 20e6, POLYSTYRENE, GLYCERIN, (0.0,), GLYCERIN, 50e-6),
]


@dataclass(frozen=True)
class Row:
    """How a case came out; `shifts_s` of interface and first back-wall echo where isolated."""

    case: Case
    nrms: float
    shifts_s: tuple[float, ...]


def compare(
    case: Case, forward: Callable[[Case], Array], incident: Array | None = None, keep: int = 1
) -> Row:
    """Set `forward(case)`, the pressure that comes back, against the lattice.

    `incident` replaces the case's own on the lattice's clock; of what comes back every `keep`-th
    step is compared.
    """
    source = case.incident() if incident is None else incident
    ours = respond(source, case.lattice())[::keep]
    terms = respond_by_order(source, case.lattice(), 1)[:, ::keep]
    theirs = forward(case)
    nrms = float(np.linalg.norm(theirs - ours) / np.linalg.norm(ours))
    return Row(case, nrms, tuple(_shifts(ours, theirs, terms, keep * STEP)))


def _shifts(ours: Array, theirs: Array, terms: Array, step_s: float) -> Iterable[float]:
    """Delay of each echo in `theirs` against `ours` by least squares, if it stands alone.

    It does where the rest of the record is 26 dB below it over its main part.
    """
    for term in terms:
        body = np.abs(term) > 0.1 * np.abs(term).max()
        gate = slice(int(np.argmax(body)), body.size - int(np.argmax(body[::-1])))
        slope = np.gradient(ours, step_s)[gate]
        if np.linalg.norm((ours - term)[gate]) < 0.05 * np.linalg.norm(term[gate]):
            yield float(slope @ (ours - theirs)[gate] / (slope @ slope))


def text(rows: Iterable[Row]) -> str:
    """The table as it is printed."""
    lines = [
        f"{'case':26} {'f0 MHz':>6} {'gap um':>7} {'wall mm':>8} {'wavelengths':>11}"
        f" {'NRMS %':>10}  shift of isolated echoes, ns"
    ]
    for row in rows:
        case = row.case
        shifts = "  ".join(f"{1e9 * s:+.5f}" for s in row.shifts_s) or "none stands alone"
        lines.append(
            f"{case.name:26} {case.frequency / 1e6:6g} {1e6 * np.mean(case.exact_gaps_m):7.3f}"
            f" {1e3 * case.exact_wall_m:8.4f} {case.wavelengths:11.3f} {100 * row.nrms:10.2e}"
            f"  {shifts}"
        )
    return "\n".join(lines)
