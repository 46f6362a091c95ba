"""What all records of a spec share: grid, delay line, receiver, diffraction, as tables over s."""

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from echotrial_corpora import diffraction, receiver
from echotrial_corpora.attenuation import power_law
from echotrial_corpora.couplant import strips
from echotrial_corpora.delay_line import repeats, side_wall
from echotrial_corpora.grid import NODE, REACH, Grid
from echotrial_corpora.layers import Layer
from echotrial_corpora.probe import gaussian_width

if TYPE_CHECKING:
    from echotrial_corpora.spec import CorpusSpec

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Chain:
    """Tables over the bins of `grid` (b of them) and constants of a spec.

    Attributes
    ----------
    arrival_s
        Nominal arrival of the tip's echo on the set-up's clock (mode 1: of a wall of no thickness).
    start_s
        Nominal time of sample 0.
    trips
        (k, b): what the first, second ... trip through the delay line puts on the pulse.
    admittance
        (b + BEYOND,) of the delay line or the wear face, 1 / Z.
    wall_loss, wall_admittance
        (b + BEYOND,) propagation constant of the wall's loss and dispersion for 1 Np/m at the
        centre; the same over s.
    recorded
        (b,) spectrum of a recorded bare-tip echo about its arrival; empty where computed.
    places, weights
        (strips,) where the strips lie, metres across, and their share of the aperture.
    paths
        Sum of z c over the delay line's round trip, m^2/s; negative without diffraction.
    bare
        Diffraction correction of the bare tip's echo at every NODE-th bin.
    diffraction, diffraction_step
        Table of `diffraction.piston` and its slope, and its step.
    """

    grid: Grid
    centre_hz: float
    arrival_s: float
    start_s: float
    contact: bool
    front_velocity: float
    trips: Complex
    admittance: Complex
    wall_loss: Complex
    wall_admittance: Complex
    recorded: Complex
    places: Real
    weights: Real
    radius_m: float
    paths: float
    bare: Complex
    diffraction: Complex
    diffraction_step: float
    noise_shape: Real
    noise_record: Real


@lru_cache(maxsize=32)
def _chain(key: str, spec: "Keyed") -> Chain:
    return _make(spec.spec)


class Keyed:
    """A spec that hashes by its key, for the cache."""

    def __init__(self, spec: "CorpusSpec") -> None:
        self.spec = spec

    def __hash__(self) -> int:
        return hash(self.spec.key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Keyed) and other.spec.key == self.spec.key


def chain_of(spec: "CorpusSpec") -> Chain:
    """The chain of a spec, made once."""
    return _chain(spec.key, Keyed(spec))


def _make(spec: "CorpusSpec") -> Chain:
    centre = spec.probe.centre_frequency.nominal
    grid = grid_of(spec)
    contact = spec.delay_line is None
    front = spec.face if spec.delay_line is None else spec.delay_line
    assert front is not None
    layer = Layer.of(front.row)
    radius = spec.probe.element_diameter / 2
    places, weights = strips(spec.couplant.strips)
    response = receiver.band_pass(grid.s, *spec.receiver.band)
    if spec.delay_line is None:
        arrival, trips, paths = spec.face.delay if spec.face else 0.0, response[None], 0.0
        start = -spec.lead
    else:
        line = spec.delay_line
        arrival = 2 * line.length / layer.velocity
        start = np.floor((arrival - spec.lead) * spec.rate) / spec.rate
        paths = 2 * line.length * layer.velocity
        response = response * side_wall(grid.s, line.side_wall)
        left = spec.samples / spec.rate
        trips = response * repeats(
            grid.s, line, layer, radius if spec.probe.diffraction else None, left
        )
    echo = spec.probe.echo
    loss = power_law(grid.s_beyond, spec.wall.row.attenuation_exponent, centre)
    paths = paths if spec.probe.diffraction else -1.0
    return Chain(
        grid=grid,
        centre_hz=centre,
        arrival_s=arrival,
        start_s=float(start),
        contact=contact,
        front_velocity=layer.velocity,
        trips=np.ascontiguousarray(trips),
        admittance=1 / layer.impedance(grid.s_beyond),
        wall_loss=loss,
        wall_admittance=loss / grid.s_beyond,
        recorded=np.empty(0, np.complex128)
        if echo is None
        else receiver.recorded_spectrum(grid.s, echo),
        places=places * radius,
        weights=weights,
        radius_m=radius,
        paths=paths,
        bare=_bare(grid, radius, paths),
        diffraction=_diffraction_table(),
        diffraction_step=DIFFRACTION_STEP,
        noise_shape=receiver.noise_shape(spec),
        noise_record=receiver.noise_record(spec),
    )


def grid_of(spec: "CorpusSpec") -> Grid:
    """The grid that holds the widest pulse of a spec down to -80 dB."""
    probe = spec.probe
    if probe.echo is not None:
        return Grid(spec.rate, spec.samples, 0.0, min(spec.rate, probe.echo.rate) / 2)
    width = float(gaussian_width(probe.bandwidth.high, probe.decay.high)) / (2 * np.pi)
    low = probe.centre_frequency.low - REACH * width
    high = probe.centre_frequency.high + REACH * width
    return Grid(spec.rate, spec.samples, max(low, 0.0), high)


def _bare(grid: Grid, radius_m: float, paths: float) -> Complex:
    nodes = grid.s[0] + (grid.s[1] - grid.s[0]) * NODE * np.arange(grid.count // NODE + 3)
    if paths <= 0:
        return np.ones(nodes.size, np.complex128)
    return diffraction.piston(-1j * nodes * radius_m**2 / paths)


@lru_cache(maxsize=1)
def _diffraction_table() -> Complex:
    return diffraction.table(DIFFRACTION_LARGEST, DIFFRACTION_STEP)


DIFFRACTION_LARGEST = 400.0
DIFFRACTION_STEP = 0.05
