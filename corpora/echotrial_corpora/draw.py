"""What each record is made of: every varied quantity drawn from its own named stream."""

from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from echotrial_corpora import delay_line
from echotrial_corpora.chain import Chain, chain_of
from echotrial_corpora.couplant import gaps
from echotrial_corpora.materials import MATERIALS
from echotrial_corpora.probe import gaussian_width, ring_gain
from echotrial_corpora.streams import stream
from echotrial_corpora.varied import Varied
from echotrial_corpora.wall import divergence

if TYPE_CHECKING:
    from echotrial_corpora.spec import CorpusSpec

WALL, DRY, WET_TIP = 0.0, 1.0, 2.0
KINDS: Final = ("wall", "dry", "wet tip")

_FIELDS: Final[str] = (
    # what it is, and the wall
    "kind thickness outside velocity density attenuation taper roughness grain divergence "
    # what is behind it: admittance of the backing, a layer in between, a lamination inside
    "backing layer layer_velocity layer_admittance lamination_depth lamination "
    # couplant
    "gap curvature tilt offset couplant_velocity couplant_loss couplant_density "
    # probe: pulse and ring-down; when the tip's echo comes, later by what the line's heat adds
    "centre width phase decay ring ring_gain ring_rate late heat "
    # receiver
    "start height snr through hum hum_frequency hum_phase baseline baseline_rate "
    "burst burst_frequency burst_rate burst_at noise_at "
    "excitation excitation_frequency excitation_rate recovery recovery_rate "
    # what else the truth tells
    "temperature_change outside_diameter"
)
#: One record's parameters, SI, as a structured type that the kernels read.
PARAMETERS: Final = np.dtype([(name, np.float64) for name in _FIELDS.split()])


class _Draw:
    """Named streams of one tile of records."""

    def __init__(self, names: tuple[object, ...], count: int) -> None:
        self.names, self.count = names, count

    def unit(self, name: str) -> NDArray[np.float64]:
        return stream(*self.names, name).random(self.count)

    def even(self, name: str) -> NDArray[np.float64]:
        """One number in each of `count` equal parts of 0..1, in random order.

        A share of the records is then that share of every tile: 2,000 records never have too few
        dry ones by bad luck.
        """
        rank = np.argsort(self.unit(name + ", order"))
        return (rank + self.unit(name)) / self.count

    def __call__(
        self, name: str, quantity: Varied | None, absent: float = 0.0
    ) -> NDArray[np.float64]:
        if quantity is None or quantity.is_plain:
            return np.full(self.count, absent if quantity is None else quantity.low)
        return quantity.at(self.unit(name))


def draw(spec: "CorpusSpec", names: tuple[object, ...], count: int) -> np.ndarray:
    """Parameters of the tile of records called `names`, (count,) of `PARAMETERS`."""
    return _fill(spec, _Draw(names, count))


def nominal(spec: "CorpusSpec", thickness_m: NDArray[np.float64]) -> np.ndarray:
    """Parameters of records where everything has its nominal value but the wall, (n,)."""

    class Middle(_Draw):
        def unit(self, name: str) -> NDArray[np.float64]:
            return np.full(self.count, 0.5)

        def even(self, name: str) -> NDArray[np.float64]:
            return self.unit(name)

    found = _fill(spec, Middle((), thickness_m.size))
    found["kind"], found["thickness"] = WALL, thickness_m
    found["divergence"] = _divergence(chain_of(spec), found)
    found["lamination"] = found["burst"] = 0.0
    return found


def _fill(spec: "CorpusSpec", pick: _Draw) -> np.ndarray:
    found = np.zeros(pick.count, PARAMETERS)
    chain = chain_of(spec)
    _wall(spec, pick, found, chain)
    _kind(spec, pick, found)
    _couplant(spec, pick, found, chain)
    found["divergence"] = _divergence(chain, found)
    _behind(spec, pick, found)
    _probe(spec, pick, found, chain)
    _receiver(spec, pick, found, chain)
    return found


def _wall(spec: "CorpusSpec", pick: _Draw, found: np.ndarray, chain: Chain) -> None:
    wall, row = spec.wall, spec.wall.row
    found["thickness"], found["outside"] = _thickness(spec, pick)
    found["velocity"] = row.velocity * (1 + pick("velocity", wall.velocity_spread))
    found["density"] = row.density
    at_centre = (chain.centre_hz / row.attenuation_frequency) ** row.attenuation_exponent
    spread = 1 + pick("attenuation", wall.attenuation_spread)
    found["attenuation"] = row.attenuation * at_centre * spread
    found["taper"] = np.tan(pick("taper", wall.taper))
    found["roughness"] = pick("roughness", wall.roughness)
    found["outside_diameter"] = pick("outside diameter", wall.outside_diameter, np.inf)
    found["grain"] = np.exp(pick("grain", wall.grain.level)) if wall.grain else 0.0
    if wall.lamination:
        hit = pick.unit("lamination") < wall.lamination.share
        found["lamination"] = hit * pick("lamination reflection", wall.lamination.reflection)
        found["lamination_depth"] = (
            pick("lamination depth", wall.lamination.depth) * found["thickness"]
        )


def _divergence(chain: Chain, found: np.ndarray) -> NDArray[np.float64]:
    refraction = found["velocity"] / chain.front_velocity
    return divergence(found["thickness"], found["curvature"], refraction)


def _thickness(spec: "CorpusSpec", pick: _Draw) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Walls; of those outside the set-up's range three in four are thinner, the rest thicker."""
    wall = spec.wall
    inside = pick("thickness", wall.thickness)
    low, high = wall.thickness.low, wall.thickness.high
    outside = pick.unit("outside") < wall.outside
    where = pick.unit("outside where")
    room = spec.samples / spec.rate - spec.lead - spec.receiver.start_spread.high
    most = 0.49 * room * wall.row.velocity
    if wall.outside_diameter:
        most = min(most, 0.49 * wall.outside_diameter.low)
    thinner = low * 0.5 ** (where / 0.75) * 0.97
    thicker = high + (max(min(1.25 * high, most), high * 1.001) - high) * (where - 0.75) / 0.25
    return np.where(outside, np.where(where < 0.75, thinner, thicker), inside), outside


def _kind(spec: "CorpusSpec", pick: _Draw, found: np.ndarray) -> None:
    u = pick.even("kind")
    dry, wet = spec.shares.dry, spec.shares.wet_tip
    found["kind"] = np.where(u < dry, DRY, np.where(u < dry + wet, WET_TIP, WALL))


def _couplant(spec: "CorpusSpec", pick: _Draw, found: np.ndarray, chain: Chain) -> None:
    couplant, row = spec.couplant, spec.couplant.row
    wet = found["kind"] == WET_TIP
    touching = found["kind"] == WALL
    film = pick("film", couplant.film)
    found["gap"] = np.where(wet, film, pick("gap", couplant.gap))
    tip = 0.0 if couplant.tip_radius is None else 1 / couplant.tip_radius
    found["curvature"] = touching * (2 / found["outside_diameter"] - tip)
    found["tilt"] = touching * np.tan(pick("tilt", couplant.tilt))
    found["offset"] = pick("offset", couplant.offset)
    found["couplant_velocity"], found["couplant_density"] = row.velocity, row.density
    # gamma = s / c - loss s^2: attenuation as the square of the frequency, no dispersion
    found["couplant_loss"] = row.attenuation / (2 * np.pi * row.attenuation_frequency) ** 2


def gaps_of(chain: Chain, found: np.ndarray) -> NDArray[np.float64]:
    """Couplant gap at each strip, (n, strips)."""
    return gaps(found["gap"], found["curvature"], found["tilt"], found["offset"], chain.places)


def _behind(spec: "CorpusSpec", pick: _Draw, found: np.ndarray) -> None:
    row = spec.backing.row
    found["backing"] = 1 / row.impedance
    layer = spec.backing.layer
    if layer is not None:
        found["layer"] = pick("backing layer", spec.backing.layer_thickness)
        found["layer_velocity"] = layer.row.velocity
        found["layer_admittance"] = 1 / layer.row.impedance
    free = found["kind"] != WALL
    found["thickness"][free] = found["lamination"][free] = found["grain"][free] = 0.0
    found["density"][free] = MATERIALS["air"].density
    found["velocity"][free] = MATERIALS["air"].velocity
    found["attenuation"][free] = 0.0


def _probe(spec: "CorpusSpec", pick: _Draw, found: np.ndarray, chain: Chain) -> None:
    probe, ring = spec.probe, spec.probe.ring
    found["centre"] = pick("centre frequency", probe.centre_frequency)
    found["decay"] = pick("decay", probe.decay)
    found["width"] = gaussian_width(pick("bandwidth", probe.bandwidth), found["decay"])
    found["phase"] = pick("phase", probe.phase)
    if ring is not None:
        found["ring"] = pick("ring frequency", ring.frequency)
        level = np.exp(pick("ring level", ring.level))
        found["ring_gain"] = ring_gain(found["centre"], found["width"], found["ring"], level)
        found["ring_rate"] = 1 / pick("ring decay", ring.decay)
    line = spec.delay_line
    if line is not None:
        found["temperature_change"] = pick("temperature", line.temperature_change)
        found["heat"] = delay_line.drift_s(
            line.length, line.row.velocity, line.drift, found["temperature_change"]
        )
    found["late"] = chain.arrival_s + found["heat"] + pick("jitter", spec.receiver.jitter)


def _receiver(spec: "CorpusSpec", pick: _Draw, found: np.ndarray, chain: Chain) -> None:
    receiver, n = spec.receiver, pick.count
    film = spec.delay_line.dry_film if spec.delay_line else None
    found["through"] = 1.0
    if film is not None:
        dried = (found["kind"] == DRY) & (pick.unit("dry film") < film.share)
        found["through"][dried] = np.exp(pick("dry film level", film.level))[dried]
    spread = np.floor(pick("start", receiver.start_spread) * spec.rate) / spec.rate
    found["start"] = chain.start_s + spread
    found["height"] = pick("screen height", receiver.screen_height)
    found["snr"] = pick("snr", receiver.snr)
    found["noise_at"] = pick.unit("noise at") if receiver.noise else np.zeros(n)
    if receiver.hum:
        found["hum"] = np.exp(pick("hum", receiver.hum.level))
        found["hum_frequency"] = pick("hum frequency", receiver.hum.frequency)
        found["hum_phase"] = 2 * np.pi * pick.unit("hum phase")
    if receiver.baseline:
        sign = np.where(pick.unit("baseline sign") < 0.5, -1, 1)
        found["baseline"] = sign * np.exp(pick("baseline", receiver.baseline.level))
        found["baseline_rate"] = 1 / pick("baseline decay", receiver.baseline.decay)
    if receiver.bursts:
        hit = pick.unit("burst") < receiver.bursts.share
        found["burst"] = hit * np.exp(pick("burst level", receiver.bursts.level))
        found["burst_frequency"] = pick("burst frequency", receiver.bursts.frequency)
        found["burst_rate"] = 1 / pick("burst decay", receiver.bursts.decay)
        found["burst_at"] = pick.unit("burst at") * spec.samples / spec.rate
    if spec.excitation:
        for name in ("excitation", "recovery"):
            prefix = "" if name == "excitation" else "recovery_"
            found[name] = np.exp(pick(name, getattr(spec.excitation, prefix + "level")))
            found[name + "_rate"] = 1 / pick(
                name + " decay", getattr(spec.excitation, prefix + "decay")
            )
        found["excitation_frequency"] = pick("excitation frequency", spec.excitation.frequency)
