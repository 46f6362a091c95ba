"""Setup: what the operator knows before the measurement, and nothing of the truth."""

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pydantic import (
    AfterValidator,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationInfo,
    model_validator,
)

from echotrial import quantities
from echotrial.errors import WrongQuestion, nearest
from echotrial.quantities import Fraction, Frequency, Impedance, Length, Time, Velocity
from echotrial.strict import Strict

Mode = Literal[1, 2, 3]
#: -6 dB bandwidth over centre frequency where the set-up names none (common practice, no source).
ASSUMED_BANDWIDTH = 0.60


def _positive(value: float) -> float:
    if value <= 0:
        raise ValueError(f"{value:g} (SI) is not positive, and it has to be")
    return value


def _not_negative(value: float) -> float:
    if value < 0:
        raise ValueError(f"{value:g} (SI) is negative, and it cannot be")
    return value


Positive = AfterValidator(_positive)
NotNegative = AfterValidator(_not_negative)


@dataclass(frozen=True, eq=False)
class Waveform:
    """One A-scan on its own clock: `samples` float32 (m,), full scale 1, from `start_s` on."""

    samples: NDArray[np.float32]
    rate_hz: float
    start_s: float = 0.0

    @property
    def time_s(self) -> NDArray[np.float64]:
        """Time of each sample, (m,)."""
        return self.start_s + np.arange(self.samples.size) / self.rate_hz

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, Waveform)
            and (self.rate_hz, self.start_s) == (other.rate_hz, other.start_s)
            and np.array_equal(self.samples, other.samples)
        )

    def __hash__(self) -> int:
        return hash((self.rate_hz, self.start_s, self.samples.tobytes()))


def _as_waveform(value: Any, info: ValidationInfo) -> Any:
    """Let a file name stand for the waveform in it, through the reader that the context offers."""
    if value is None or isinstance(value, Waveform):
        return value
    read = (info.context or {}).get("read_waveform")
    if read is None:
        raise ValueError(
            f"{value!r}: a reference echo can only be named inside a corpus or set-up file"
        )
    if isinstance(value, str):
        value = {"file": value}
    unknown = set(value) - {"file", "first_sample"}
    if unknown or "file" not in value:
        raise ValueError(
            f"{value!r}: write a file name, or {{ file = ..., first_sample = '0 us' }}"
        )
    first = value.get("first_sample")
    return read(value["file"], None if first is None else quantities.parse(first, "time"))


class Tolerance(Strict):
    """How far off a reading may be: the larger of a share of the thickness and a length."""

    relative: Annotated[Fraction, NotNegative] = 0.01
    absolute: Annotated[Length, NotNegative] = 5e-6

    def of(self, thickness_m: ArrayLike) -> NDArray[np.float64]:
        """Tolerance in metres for each thickness; NaN stays NaN."""
        return np.maximum(self.relative * np.asarray(thickness_m, dtype=np.float64), self.absolute)


class Medium(Strict):
    """A material by name (resolved through the forward model's table) or by its impedance."""

    material: str | None = None
    impedance: Annotated[Impedance, Positive] | None = None
    velocity: Annotated[Velocity, Positive] | None = None
    length: Annotated[Length, Positive] | None = None

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        if self.material is None and self.impedance is None:
            raise ValueError("name a material or give its impedance")
        return self


class Setup(Strict):
    """What a detector may know. SI floats inside; files carry units.

    Every *polarity* is relative to `reference_echo`, the echo of the bare delay line (pressure
    reflection -1 against air): the first back-wall echo of an air-backed wall is +, and the
    interface echo has the sign of Z_delay - Z_wall (see `interface_polarity`). Multiples keep the
    first one's sign where Z_delay < Z_wall and alternate +, -, + where Z_delay > Z_wall.
    """

    model_config = ConfigDict(arbitrary_types_allowed=True)

    centre_frequency: Annotated[Frequency, Positive]
    bandwidth: Annotated[Frequency, Positive] | None = None
    velocity: Annotated[Velocity, Positive]
    velocity_uncertainty: Annotated[Velocity, NotNegative] = 0.0
    zero_offset: Time = 0.0
    interface_echo: Time | None = None
    wall_range: tuple[Annotated[Length, Positive], Annotated[Length, Positive]]
    tolerance: Tolerance = Tolerance()
    delay_line: Medium | None = None
    couplant: Medium | None = None
    wall: Medium | None = None
    outside_diameter: Annotated[Length, Positive] | None = Field(
        None, description="None = flat part"
    )
    element_diameter: Annotated[Length, Positive] | None = None
    mode: Mode | None = None
    reference_echo: Annotated[Waveform | None, BeforeValidator(_as_waveform)] = None
    length_unit: Literal["mm", "in"] = "mm"

    @model_validator(mode="before")
    @classmethod
    def _keep_the_users_unit(cls, data: Any) -> Any:
        if isinstance(data, Mapping) and "length_unit" not in data:
            words = " ".join(str(w) for w in data.get("wall_range", ()))
            return {
                **data,
                "length_unit": "in" if words.rstrip().endswith((" in", "inch", "mil")) else "mm",
            }
        return data

    @model_validator(mode="after")
    def _is_possible(self) -> Self:
        low, high = self.wall_range
        if low >= high:
            raise ValueError(
                f"wall_range runs from {low:g} m to {high:g} m: give the thinner wall first"
            )
        if self.outside_diameter is not None and 2 * low >= self.outside_diameter:
            raise ValueError(
                f"a wall of {low:g} m is thicker than the radius of {self.outside_diameter / 2:g} m"
            )
        if self.bandwidth is not None and self.bandwidth >= 2 * self.centre_frequency:
            raise ValueError("bandwidth is twice the centre frequency or more: no such probe")
        return self

    # -- what follows from the fields -------------------------------------------------------------

    def thickness_m(
        self, interval_s: ArrayLike, spans: ArrayLike = 1, *, mode: int | None = None
    ) -> NDArray[np.float64]:
        """Turn an interval into a thickness; the only place where velocity and zero offset do so.

        d = v (t - t_0) / (2 spans), ISO 16809:2017 clause 4. The zero offset t_0 belongs to modes
        1 and 2; between two back-wall echoes (mode 3) it cancels and is left out.

        Parameters
        ----------
        interval_s
            Seconds between the two marks (mode 1: from time zero of the records' clock).
        spans
            Wall round trips in that interval.
        mode
            How the interval was measured; the set-up's own mode where not given.
        """
        zero = 0.0 if (mode or self.mode) == 3 else self.zero_offset
        interval = np.asarray(interval_s, dtype=np.float64) - zero
        return np.asarray(self.velocity * interval / (2 * np.asarray(spans, dtype=np.float64)))

    def interval_s(self, thickness_m: ArrayLike) -> NDArray[np.float64]:
        """Round-trip time of a thickness at the set-up's velocity, without the zero offset."""
        return 2 * np.asarray(thickness_m, dtype=np.float64) / self.velocity

    @property
    def wavelength_m(self) -> float:
        """Wavelength in the wall at the centre frequency."""
        return self.velocity / self.centre_frequency

    @property
    def bandwidth_hz(self) -> float:
        """-6 dB bandwidth, or `ASSUMED_BANDWIDTH` of the centre frequency where none is given."""
        return self.bandwidth or ASSUMED_BANDWIDTH * self.centre_frequency

    @property
    def interface_polarity(self) -> int:
        """Sign of the interface echo relative to the reference echo; 0 where it is not known."""
        if not (
            self.delay_line and self.wall and self.delay_line.impedance and self.wall.impedance
        ):
            return 0
        return int(np.sign(self.delay_line.impedance - self.wall.impedance))

    @property
    def interface_reflection(self) -> float | None:
        """Pressure reflection (Z_wall - Z_delay) / (Z_wall + Z_delay) without couplant, or None."""
        if not (
            self.delay_line and self.wall and self.delay_line.impedance and self.wall.impedance
        ):
            return None
        z_delay, z_wall = self.delay_line.impedance, self.wall.impedance
        return (z_wall - z_delay) / (z_wall + z_delay)

    # -- files ------------------------------------------------------------------------------------

    def table(self, reference_file: str | None = None) -> dict[str, Any]:
        """The set-up as TOML data with units, from which `read_setup` makes an equal one."""
        found: dict[str, Any] = {}
        for name, (dimension, unit) in _UNITS.items():
            value = getattr(self, name)
            if value is not None and value != type(self).model_fields[name].default:
                found[name] = quantities.text(value, dimension, unit)
        found["wall_range"] = [
            quantities.text(w, "length", self.length_unit) for w in self.wall_range
        ]
        found["tolerance"] = {
            "relative": quantities.text(self.tolerance.relative, "fraction", "percent").replace(
                "percent", "%"
            ),
            "absolute": quantities.text(self.tolerance.absolute, "length", "um"),
        }
        for name in ("delay_line", "couplant", "wall"):
            medium = getattr(self, name)
            if medium is not None:
                found[name] = _medium_table(medium)
        if self.mode is not None:
            found["mode"] = self.mode
        if self.reference_echo is not None and reference_file is not None:
            first = quantities.text(self.reference_echo.start_s, "time", "us")
            found["reference_echo"] = {"file": reference_file, "first_sample": first}
        if self.length_unit == "in":
            found["length_unit"] = "in"
        return found

    def digest(self) -> str:
        """sha256 over everything a detector can see here, the reference echo's samples included."""
        seen = hashlib.sha256(repr(self.model_copy(update={"reference_echo": None})).encode())
        if self.reference_echo is not None:
            wave = self.reference_echo
            seen.update(np.array([wave.rate_hz, wave.start_s]).tobytes() + wave.samples.tobytes())
        return seen.hexdigest()

    def resolved(self, impedance_of: Callable[[str], float], known: list[str]) -> Self:
        """Fill in the impedance of every medium that is only named.

        Raises
        ------
        WrongQuestion
            A name that the table does not have.
        """
        found = {}
        for name in ("delay_line", "couplant", "wall"):
            medium: Medium | None = getattr(self, name)
            if medium is not None and medium.impedance is None and medium.material is not None:
                if medium.material not in known:
                    raise WrongQuestion(
                        f"{name}: material {medium.material!r} is not in the table: "
                        f"{nearest(medium.material, known)}; or give its impedance"
                    )
                found[name] = medium.model_copy(update={"impedance": impedance_of(medium.material)})
        return self.model_copy(update=found)


_UNITS = {
    "centre_frequency": ("frequency", "MHz"),
    "bandwidth": ("frequency", "MHz"),
    "velocity": ("velocity", "m/s"),
    "velocity_uncertainty": ("velocity", "m/s"),
    "zero_offset": ("time", "us"),
    "interface_echo": ("time", "us"),
    "outside_diameter": ("length", "mm"),
    "element_diameter": ("length", "mm"),
}
_MEDIUM_UNITS = {
    "impedance": ("impedance", "MRayl"),
    "velocity": ("velocity", "m/s"),
    "length": ("length", "mm"),
}


def _medium_table(medium: Medium) -> dict[str, str]:
    found = {} if medium.material is None else {"material": medium.material}
    for name, (dimension, unit) in _MEDIUM_UNITS.items():
        value = getattr(medium, name)
        if value is not None:
            found[name] = quantities.text(value, dimension, unit)
    return found


def read_setup(
    data: Mapping[str, Any], source: str, read_waveform: Callable[..., Waveform] | None = None
) -> Setup:
    """Read a file's ``[setup]``; `read_waveform(name, first_sample_s)` loads a named echo."""
    return Setup.read(data, source, read_waveform=read_waveform)


def waveform_reader(folder: Path, rate_hz: float, start_s: float) -> Callable[..., Waveform]:
    """Give a reader of .npy reference echoes beside a file, on the records' clock by default."""

    def read(name: str, first_sample_s: float | None) -> Waveform:
        path = folder / name
        if not path.is_file():
            raise ValueError(f"{path}: no such file; the reference echo is an .npy beside this one")
        samples = np.load(path, allow_pickle=False)
        samples = np.ascontiguousarray(np.squeeze(samples), dtype=np.float32)
        if samples.ndim != 1 or samples.size == 0 or not np.isfinite(samples).all():
            raise ValueError(f"{path}: a reference echo is one row of finite samples")
        samples.flags.writeable = False
        return Waveform(samples, rate_hz, start_s if first_sample_s is None else first_sample_s)

    return read
