"""A quantity of a spec that is one value, a range with a distribution, or a set of steps."""

from collections.abc import Callable, Mapping
from functools import partial
from typing import Annotated, Any, Literal, Self

import numpy as np
from echotrial import quantities
from echotrial.quantities import QuantityError
from echotrial.strict import Strict
from numpy.typing import NDArray
from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo, model_validator
from scipy.special import ndtr, ndtri

Distribution = Literal["uniform", "log-uniform", "normal", "steps"]


class Varied(Strict):
    """`low` to `high` (SI) by `distribution`; equal ends mean a plain value.

    ``normal`` has its mean half-way, the ends two standard deviations off, and is cut there.
    ``steps`` takes each of `values` equally often.
    """

    low: float = Field(alias="from")
    high: float = Field(alias="to")
    distribution: Distribution = "uniform"
    values: tuple[float, ...] = ()

    @model_validator(mode="after")
    def _is_a_range(self) -> Self:
        if self.low > self.high:
            raise ValueError(
                f"runs from {self.low:g} to {self.high:g} (SI): give the smaller first"
            )
        if self.distribution == "log-uniform" and self.low <= 0:
            raise ValueError(f"log-uniform from {self.low:g} (SI): it has to start above 0")
        return self

    @property
    def nominal(self) -> float:
        """The value an operator would take: the middle by its own distribution."""
        return float(self.at(np.array([0.5]))[0])

    @property
    def is_plain(self) -> bool:
        """Whether every record has the same value."""
        return self.low == self.high

    def at(self, u: NDArray[np.float64]) -> NDArray[np.float64]:
        """Quantiles at `u` in [0, 1), of the shape of `u`."""
        if self.is_plain:
            return np.full(u.shape, self.low)
        if self.distribution == "steps":
            steps = np.array(self.values)
            return steps[(u * steps.size).astype(np.intp)]
        if self.distribution == "log-uniform":
            return np.asarray(self.low * (self.high / self.low) ** u)
        if self.distribution == "normal":
            z = ndtri(ndtr(-2) + u * (ndtr(2) - ndtr(-2)))
            return np.asarray((self.low + self.high) / 2 + z * (self.high - self.low) / 4)
        return np.asarray(self.low + u * (self.high - self.low))


def _reader(dimension: str) -> Callable[[Any, ValidationInfo], Varied]:
    def read(value: Any, info: ValidationInfo) -> Varied:
        if isinstance(value, Varied):
            return value
        from_file = bool(info.context and info.context.get("from_file"))
        number = partial(_number, dimension, from_file)
        if not isinstance(value, Mapping):
            plain = number(value)
            return Varied.model_validate({"from": plain, "to": plain})
        return Varied.model_validate(_ends(value, number))

    return read


def _ends(table: Mapping[str, Any], number: Callable[[Any], float]) -> dict[str, Any]:
    found = {k: number(v) if k in ("from", "to") else v for k, v in table.items()}
    if table.get("values"):
        steps = tuple(sorted(number(v) for v in table["values"]))
        found |= {"values": steps, "from": steps[0], "to": steps[-1], "distribution": "steps"}
    return found


def _number(dimension: str, from_file: bool, value: Any) -> float:
    """SI from a text with a unit; from Python a plain number is SI already."""
    if not from_file and isinstance(value, int | float):
        return float(value)
    try:
        return quantities.parse(value, dimension)
    except QuantityError as error:
        raise ValueError(str(error)) from None


def _not_negative(found: Varied) -> Varied:
    if found.low < 0:
        raise ValueError(f"{found.low:g} (SI) is negative, and it cannot be")
    return found


def _positive(found: Varied) -> Varied:
    if found.low <= 0:
        raise ValueError(f"{found.low:g} (SI) is not positive, and it has to be")
    return found


AllNotNegative = AfterValidator(_not_negative)
AllPositive = AfterValidator(_positive)

# In a file a varied quantity is "20 um", { from = "5 um", to = "50 um", distribution =
# "log-uniform" } or { values = ["1 mm", "2 mm"] }; from Python plain numbers are SI.
Lengths = Annotated[Varied, BeforeValidator(_reader("length"))]
Times = Annotated[Varied, BeforeValidator(_reader("time"))]
Frequencies = Annotated[Varied, BeforeValidator(_reader("frequency"))]
Levels = Annotated[Varied, BeforeValidator(_reader("level"))]
Angles = Annotated[Varied, BeforeValidator(_reader("angle"))]
Temperatures = Annotated[Varied, BeforeValidator(_reader("temperature"))]
Fractions = Annotated[Varied, BeforeValidator(_reader("fraction"))]
