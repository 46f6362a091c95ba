"""The set-up file: what the operator knows, and what is uncertain about it and by how much."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Any, Final, Self

from pydantic import Field, model_validator

from echotrial import quantities
from echotrial.errors import WrongQuestion, nearest
from echotrial.hooks import Material
from echotrial.quantities import Angle, Fraction, Frequency, Length, Level, Temperature, Time
from echotrial.setup import NotNegative, Positive, Setup, Waveform, read_setup
from echotrial.strict import Strict, read_toml


def _np(decibel: str) -> float:
    return quantities.parse(decibel, "level")


class Uncertain(Strict):
    """How far one measurement may differ from the next; the defaults are common practice.

    Values with a sign (temperature, tilt, trigger) vary normally with two standard deviations of
    what stands here; the velocity's standard uncertainty is `Setup.velocity_uncertainty`.
    """

    temperature: Annotated[Temperature, NotNegative] = 4.0
    couplant_gap: tuple[Annotated[Length, Positive], Annotated[Length, Positive]] = (1e-6, 12e-6)
    tilt: Annotated[Angle, NotNegative] = quantities.parse("0.1 deg", "angle")
    roughness: Annotated[Length, NotNegative] = 1.5e-6
    attenuation: Annotated[Fraction, Field(ge=0, lt=1)] = 0.30
    noise: tuple[Level, Level] = (_np("28 dB"), _np("46 dB"))
    ring: Level = _np("-32 dB")
    trigger: Annotated[Time, NotNegative] = 2e-9

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        for name in ("couplant_gap", "noise"):
            low, high = getattr(self, name)
            if low > high:
                raise ValueError(f"{name} runs from {low:g} to {high:g} (SI): smaller first")
        return self

    def table(self) -> dict[str, Any]:
        """The values as TOML data with units."""
        found: dict[str, Any] = {}
        for name, (dimension, unit) in _UNITS.items():
            value = getattr(self, name)
            ends = value if isinstance(value, tuple) else (value,)
            words = [quantities.text(v, dimension, unit).replace("percent", "%") for v in ends]
            found[name] = words if isinstance(value, tuple) else words[0]
        return found


_UNITS: Final = {
    "temperature": ("temperature", "K"),
    "couplant_gap": ("length", "um"),
    "tilt": ("angle", "deg"),
    "roughness": ("length", "um"),
    "attenuation": ("fraction", "percent"),
    "noise": ("level", "dB"),
    "ring": ("level", "dB"),
    "trigger": ("time", "ns"),
}


class Around(Strict):
    """What a set-up file holds besides the set-up itself."""

    uncertain: Uncertain = Uncertain()
    sample_rate: Annotated[Frequency, Positive] | None = None
    bits: Annotated[int, Field(ge=4, le=16)] | None = None
    concave_diameter: Annotated[Length, Positive] | None = None


@dataclass(frozen=True)
class Job:
    """A set-up file, read.

    Attributes
    ----------
    setup
        What a detector may know, named materials resolved.
    uncertain
        How far one measurement may differ from the next.
    sample_rate
        Of the instrument; None leaves it to the forward model.
    bits
        Resolution of the instrument's digitiser; None leaves it to the forward model.
    concave_diameter
        Of a part measured from its hollow side; None = flat, or a tube from outside.
    """

    setup: Setup
    uncertain: Uncertain = field(default_factory=Uncertain)
    sample_rate: float | None = None
    concave_diameter: float | None = None
    bits: int | None = None

    @property
    def part(self) -> str:
        """Shape in words."""
        if self.concave_diameter is not None:
            return f"concave, {self.length(self.concave_diameter)} inside diameter"
        if self.setup.outside_diameter is not None:
            return f"tube, {self.length(self.setup.outside_diameter)} outside diameter"
        return "flat"

    @property
    def contact(self) -> bool:
        """Whether the probe stands on the part without a delay line: time counts from the pulse."""
        setup = self.setup
        return setup.delay_line is None and (setup.mode == 1 or setup.interface_echo is None)

    def length(self, metres: float, digits: int = 3) -> str:
        """Write a length in the unit that the user wrote."""
        unit = self.setup.length_unit
        return f"{quantities.convert(float(metres), 'length', unit):.{digits}g} {unit}"

    def with_setup(self, **changes: Any) -> "Job":
        """The same job with another set-up, checked again."""
        values = {n: getattr(self.setup, n) for n in type(self.setup).model_fields} | changes
        return replace(self, setup=Setup(**values))


def read_job(path: Path, materials: Mapping[str, Material] | None = None) -> Job:
    """Read a set-up file.

    Raises
    ------
    WrongQuestion
        An unknown key or material (the nearest is named), a missing unit, or a set-up that no
        part and probe can have; the message says which and why.
    """
    data = read_toml(path)
    own = {k: data.pop(k) for k in Around.model_fields if k in data}
    around = Around.read(own, str(path))
    _fill_velocity(data, materials or {})
    setup = read_setup(data, str(path), _echo_reader(path.parent, around.sample_rate))
    if setup.reference_echo is not None and setup.interface_echo is None:
        from echotrial.corpus.sheet import envelope_peak_s  # scipy.signal takes a second

        peak = envelope_peak_s(setup.reference_echo)
        setup = setup.model_copy(update={"interface_echo": peak})
    if materials is not None:
        try:
            setup = setup.resolved(lambda name: materials[name].impedance, list(materials))
        except WrongQuestion as error:
            raise WrongQuestion(f"{path}: {error}") from None
    job = Job(setup, around.uncertain, around.sample_rate, around.concave_diameter, around.bits)
    return _checked(job, path)


def _checked(job: Job, path: Path) -> Job:
    setup = job.setup
    if job.concave_diameter is not None and setup.outside_diameter is not None:
        raise WrongQuestion(
            f"{path}: outside_diameter and concave_diameter: a part is measured from one side, "
            "keep one of them"
        )
    if setup.outside_diameter is not None and 2 * setup.wall_range[1] >= setup.outside_diameter:
        raise WrongQuestion(
            f"{path}: wall_range reaches {job.length(setup.wall_range[1])}, thicker than the "
            f"radius {job.length(setup.outside_diameter / 2)} of the tube: mend one of the two"
        )
    return job


def _fill_velocity(data: dict[str, Any], materials: Mapping[str, Material]) -> None:
    """Where no velocity is given the named wall material has one."""
    wall = data.get("wall")
    name = wall.get("material") if isinstance(wall, Mapping) else None
    if "velocity" in data or name is None or not materials:
        return
    if name not in materials:
        raise WrongQuestion(
            f"wall: material {name!r} is not in the table: {nearest(str(name), materials)}; or "
            "give its velocity and impedance"
        )
    data["velocity"] = quantities.text(materials[name].velocity, "velocity", "m/s")


def _echo_reader(folder: Path, rate_hz: float | None) -> Callable[..., Waveform]:
    def read(name: str, start_s: float | None) -> Waveform:
        if rate_hz is None:
            raise ValueError(f"{name}: a reference echo needs sample_rate beside it")
        if start_s is None:
            raise ValueError(f"{name}: write {{ file = {name!r}, first_sample = '8 us' }}")
        from echotrial.corpus.formats import read_waveforms  # needs pandas

        try:
            samples = read_waveforms(folder / name).squeeze()
        except WrongQuestion as error:
            raise ValueError(str(error)) from None
        if samples.ndim != 1 or samples.dtype.kind != "f":
            raise ValueError(
                f"{folder / name}: a reference echo is one row of floats, full scale 1"
            )
        samples = samples.astype("float32")
        samples.flags.writeable = False
        return Waveform(samples, rate_hz, start_s)

    return read
