"""A synthetic corpus in one readable TOML file, validated down to the physics."""

import hashlib
import json
from collections.abc import Mapping
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal, Self

import numpy as np
from echotrial.errors import nearest
from echotrial.hooks import Material
from echotrial.quantities import Attenuation, Density, Fraction, Frequency, Length, Time, Velocity
from echotrial.setup import (
    Mode,
    NotNegative,
    Positive,
    Setup,
    Tolerance,
    Waveform,
    read_setup,
)
from echotrial.strict import Strict, read_toml
from pydantic import Field, model_validator

from echotrial_corpora.materials import MATERIALS, VELOCITY_PER_KELVIN
from echotrial_corpora.recorded import RecordedEcho, RecordedNoise, Recording, encoded
from echotrial_corpora.varied import (
    AllNotNegative,
    AllPositive,
    Angles,
    Fractions,
    Frequencies,
    Lengths,
    Levels,
    Temperatures,
    Times,
    Varied,
)

#: Sizes of every spec that names none of its own.
SIZES: Mapping[str, Mapping[str, int]] = {
    "smoke": {"tune": 100, "prove": 200},
    "run": {"tune": 1000, "prove": 2000},
    "standard": {"tune": 1000, "prove": 5000},
}


def plain(value: float) -> Varied:
    """A `Varied` of one SI value."""
    return Varied.model_validate({"from": value, "to": value})


class Stuff(Strict):
    """A medium: a row of the material table, or numbers of its own in place of some of it."""

    material: str | None = None
    velocity: Annotated[Velocity, Positive] | None = None
    density: Annotated[Density, Positive] | None = None
    attenuation: Annotated[Attenuation, NotNegative] | None = None
    attenuation_frequency: Annotated[Frequency, Positive] | None = None
    attenuation_exponent: Annotated[Fraction, Positive] | None = None

    @model_validator(mode="after")
    def _is_known(self) -> Self:
        if self.material is not None and self.material not in MATERIALS:
            raise ValueError(
                f"material {self.material!r} is not in the table: "
                f"{nearest(self.material, MATERIALS)}"
            )
        if self.material is None and (self.velocity is None or self.density is None):
            raise ValueError("name a material, or give velocity and density")
        exponent = self.attenuation_exponent
        if exponent is not None and not exponent < 3:
            raise ValueError(f"attenuation_exponent {exponent:g}: causality needs it below 3")
        return self

    @property
    def row(self) -> Material:
        """The row of the table with this medium's own numbers put in."""
        base = MATERIALS.get(self.material or "", MATERIALS["air"])
        return Material(
            self.material or "given",
            self.velocity or base.velocity,
            self.density or base.density,
            base.attenuation if self.attenuation is None else self.attenuation,
            self.attenuation_frequency or base.attenuation_frequency,
            self.attenuation_exponent or base.attenuation_exponent,
            base.source if self.material else "given in the spec",
            base.spread,
        )


class Ring(Strict):
    """Ring-down of the probe: a weak resonance set off by the pulse."""

    frequency: Annotated[Frequencies, AllPositive]
    level: Levels
    decay: Annotated[Times, AllPositive]


class Probe(Strict):
    """Two-way response: the echo of the bare tip (ASTM E1065 terms)."""

    centre_frequency: Annotated[Frequencies, AllPositive]
    bandwidth: Annotated[Frequencies, AllPositive]
    phase: Angles = plain(0.0)
    decay: Annotated[Times, AllNotNegative] = plain(0.0)
    element_diameter: Annotated[Length, Positive]
    ring: Ring | None = None
    echo: RecordedEcho | None = None
    diffraction: bool = True


class SideWall(Strict):
    """A weak copy of the tip's echo that took a path by the delay line's side wall."""

    level: Levels
    delay: Annotated[Time, Positive]


class DryFilm(Strict):
    """A removable delay line whose film towards the element has dried, in some dry records.

    `level` is what is left of the sound after both ways through it.
    """

    share: Annotated[Fraction, Field(ge=0, le=1)]
    level: Levels


class DelayLine(Stuff):
    """Delay line; `repeat` is what the probe's end reflects back into it."""

    length: Annotated[Length, Positive]
    temperature_change: Temperatures = plain(0.0)
    velocity_per_kelvin: Velocity | None = None
    repeat: Levels | None = None
    side_wall: tuple[SideWall, ...] = ()
    dry_film: DryFilm | None = None

    @property
    def drift(self) -> float:
        """Change of velocity, m/s per kelvin."""
        if self.velocity_per_kelvin is not None:
            return self.velocity_per_kelvin
        return VELOCITY_PER_KELVIN.get(self.material or "", 0.0)


class Face(Stuff):
    """Mode 1: the probe's wear face on the couplant, and the time lost in it (zero offset)."""

    delay: Annotated[Time, NotNegative] = 0.0


class Couplant(Stuff):
    """Couplant: the smallest gap, and what makes it wider elsewhere under the aperture."""

    gap: Annotated[Lengths, AllNotNegative]
    tilt: Angles = plain(0.0)
    offset: Lengths = plain(0.0)
    tip_radius: Annotated[Length, Positive] | None = None
    film: Annotated[Lengths, AllNotNegative] = plain(50e-6)
    strips: Annotated[int, Field(ge=1, le=65)] = 9


class Grain(Strict):
    """Grain noise from inside the wall, relative to the first back-wall echo of a lossless wall."""

    level: Levels
    correlation: Annotated[Length, NotNegative] = 0.0
    decay: Annotated[Time, Positive]


class Lamination(Strict):
    """A partial reflector inside some of the walls: a distractor."""

    share: Annotated[Fraction, Field(ge=0, le=1)]
    depth: Annotated[Fractions, AllPositive]
    reflection: Annotated[Fractions, AllNotNegative]


class Wall(Stuff):
    """The part, and what there is to measure."""

    thickness: Annotated[Lengths, AllPositive]
    outside: Annotated[Fraction, Field(ge=0, le=0.5)] = 0.05
    velocity_spread: Fractions = plain(0.0)
    attenuation_spread: Fractions = plain(0.0)
    outside_diameter: Annotated[Lengths, AllPositive] | None = None
    taper: Angles = plain(0.0)
    roughness: Annotated[Lengths, AllNotNegative] = plain(0.0)
    grain: Grain | None = None
    lamination: Lamination | None = None


class Backing(Stuff):
    """What lies behind the wall, with a paint or scale layer between where there is one."""

    material: str | None = "air"
    layer: Stuff | None = None
    layer_thickness: Annotated[Lengths, AllNotNegative] = plain(0.0)


class Hum(Strict):
    """A steady sine picked up from elsewhere, relative to full scale."""

    level: Levels
    frequency: Annotated[Frequencies, AllPositive]


class Baseline(Strict):
    """A slow exponential drift of the zero line, relative to full scale."""

    level: Levels
    decay: Annotated[Times, AllPositive]


class Bursts(Strict):
    """Interference: a decaying sine at a random time in some of the records."""

    share: Annotated[Fraction, Field(ge=0, le=1)]
    level: Levels
    frequency: Annotated[Frequencies, AllPositive]
    decay: Annotated[Times, AllPositive]


class Receiver(Strict):
    """From the probe's terminals to the digitised A-scan."""

    band: tuple[Annotated[Frequency, Positive], Annotated[Frequency, Positive]]
    screen_height: Annotated[Fractions, AllPositive] = plain(0.8)
    gain: Literal["per record", "first echo", "fixed"] = "per record"
    bits: Annotated[int, Field(ge=4, le=16)] = 12
    snr: Levels
    noise_colour: Annotated[Fraction, Field(ge=0, le=4)] = 0.0
    noise: RecordedNoise | None = None
    jitter: Times = plain(0.0)
    start_spread: Annotated[Times, AllNotNegative] = plain(0.0)
    hum: Hum | None = None
    baseline: Baseline | None = None
    bursts: Bursts | None = None


class Excitation(Strict):
    """Mode 1: what the transmission pulse leaves in the receiver, relative to the reference."""

    level: Levels
    frequency: Annotated[Frequencies, AllPositive]
    decay: Annotated[Times, AllPositive]
    recovery_level: Levels
    recovery_decay: Annotated[Times, AllPositive]


class Shares(Strict):
    """Records without a wall."""

    dry: Annotated[Fraction, Field(ge=0, le=1)] = 0.08
    wet_tip: Annotated[Fraction, Field(ge=0, le=1)] = 0.04


class Operator(Strict):
    """What the set-up says besides the nominal values, and how wrong it is.

    `zero_offset` is what a calibration gave; without it, the wear face's delay.
    """

    mode: Mode | None = None
    zero_offset: Time | None = None
    tolerance: Tolerance = Tolerance()
    velocity_error: Fraction = 0.0
    velocity_uncertainty: Fraction = 0.0
    reference_echo: bool = True


class GivenSetup(Strict):
    """A user's own set-up, kept as it was given (see `CorpusSpec.setup`)."""

    table: dict[str, Any]
    echo: Recording | None = None

    @classmethod
    def of(cls, setup: Setup) -> Self:
        """Keep `setup`, its reference echo included."""
        wave = setup.reference_echo
        echo = wave and Recording(
            rate=wave.rate_hz, first_sample=wave.start_s, samples=encoded(wave.samples)
        )
        return cls(table=setup.table("reference.npy" if wave else None), echo=echo)

    @cached_property
    def setup(self) -> Setup:
        """The set-up, equal to the one that was given."""
        return read_setup(self.table, "set-up in a spec", self._waveform)

    def _waveform(self, name: str, first_sample_s: float | None) -> Waveform:
        if self.echo is None:
            raise ValueError(f"{name}: the spec does not carry the reference echo")
        samples = self.echo.array.astype(np.float32)
        samples.flags.writeable = False
        return Waveform(samples, self.echo.rate, self.echo.first_sample)


class CorpusSpec(Strict):
    """A synthetic corpus: what varies in it, and how."""

    name: str
    about: str
    rate: Annotated[Frequency, Positive] = 100e6
    samples: Annotated[int, Field(ge=64, le=16384)] = 1024
    lead: Annotated[Time, NotNegative] = 0.6e-6
    multiples: Annotated[int, Field(ge=1)] = 2
    probe: Probe
    delay_line: DelayLine | None = None
    face: Face | None = None
    couplant: Couplant
    wall: Wall
    backing: Backing = Backing()
    receiver: Receiver
    excitation: Excitation | None = None
    shares: Shares = Shares()
    operator: Operator = Operator()
    sizes: Mapping[str, Mapping[str, int]] = Field(default_factory=lambda: dict(SIZES))
    given: GivenSetup | None = None

    @model_validator(mode="after")
    def _is_possible(self) -> Self:
        from echotrial_corpora.possible import check

        check(self)
        return self

    @property
    def origin(self) -> str:
        """Whether a recording has part in it."""
        return "semi-synthetic" if self._recorded else "synthetic"

    @property
    def source(self) -> str:
        """Where the recordings in it came from."""
        return "; ".join(dict.fromkeys(r.source for r in self._recorded if r.source))

    @property
    def licence(self) -> str:
        """That of the recordings in it."""
        return "; ".join(dict.fromkeys(r.licence for r in self._recorded if r.licence))

    @property
    def _recorded(self) -> list[Recording]:
        return [r for r in (self.probe.echo, self.receiver.noise) if r is not None]

    @property
    def rate_hz(self) -> float:
        """Sampling rate."""
        return self.rate

    def canonical(self) -> str:
        """JSON of all values in SI, keys sorted: the same for the same meaning."""
        return json.dumps(self._data(), sort_keys=True, separators=(",", ":"), allow_nan=False)

    def _data(self) -> dict[str, Any]:
        return self.model_dump(mode="json", by_alias=True, exclude_none=True)

    def _making(self) -> dict[str, Any]:
        """All but words and sizes."""
        data = self._data()
        return {k: v for k, v in data.items() if k not in ("name", "about", "sizes", "given")}

    @cached_property
    def key(self) -> str:
        """Digest of what makes the records: the canonical text without words and sizes."""
        return _digest(self._making())

    @cached_property
    def draw_key(self) -> str:
        """Digest of what chance draws from: `key` without the screen height.

        The same walls, noise and all else at another gain: what the gain does is seen on pairs.
        """
        data = self._making()
        data["receiver"].pop("screen_height", None)
        return _digest(data)

    @cached_property
    def setup(self) -> Setup:
        """What an operator of these records knows."""
        from echotrial_corpora.reference import setup_of

        return self.given.setup if self.given else setup_of(self)


def _digest(data: dict[str, Any]) -> str:
    return hashlib.sha256(json.dumps(data, sort_keys=True).encode()).hexdigest()


def read_spec(path: Path) -> CorpusSpec:
    """Validate a spec file.

    Raises
    ------
    WrongQuestion
        Names the key, the value, the rule and the fix.
    """
    return CorpusSpec.read(read_toml(path), path.name, folder=path.parent)


def from_canonical(text: str) -> CorpusSpec:
    """The spec of a canonical text."""
    return CorpusSpec.model_validate(json.loads(text))
