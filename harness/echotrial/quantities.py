"""Quantities as people write them ("0.40 mm", "0.016 in", "20 MHz") to SI floats and back."""

import math
from collections.abc import Callable
from decimal import Context, Decimal
from functools import cache, lru_cache
from typing import Annotated, Any, Final

from pydantic import BeforeValidator, ValidationInfo

# A registry of the units this trade needs. Levels (dB, Np), angles and impedances have dimensions
# of their own, so that "3 dB" can never pass for a ratio nor "2 Pa s/m" for anything else.
_DEFINITIONS: Final = """
nano- = 1e-9 = n-
micro- = 1e-6 = µ- = μ- = u-
milli- = 1e-3 = m-
centi- = 1e-2 = c-
kilo- = 1e3 = k-
mega- = 1e6 = M-
giga- = 1e9 = G-
meter = [length] = m = metre
inch = 0.0254 * meter = in
thou = 0.0000254 * meter = _ = mil
foot = 0.3048 * meter = ft
second = [time] = s
hertz = 1 / second = Hz
sample_per_second = 1 / second = S_per_s
gram = [mass] = g
newton = kilogram * meter / second ** 2 = N
pascal = newton / meter ** 2 = Pa
rayl = pascal * second / meter = Rayl
kelvin = [temperature]; offset: 0 = K
degree_Celsius = kelvin; offset: 273.15 = degC = celsius
radian = [angle] = rad
degree = 0.017453292519943295 * radian = deg
neper = [level] = Np
decibel = 0.11512925464970228 * neper = dB
ratio = []
percent = 0.01 * ratio = pct
""".strip().splitlines()

#: dimension -> (an SI expression of it, two examples for messages)
DIMENSIONS: Final[dict[str, tuple[str, str]]] = {
    "length": ("m", "'0.40 mm' or '0.016 in'"),
    "time": ("s", "'0.6 us' or '50 ns'"),
    "frequency": ("Hz", "'20 MHz'"),
    "velocity": ("m/s", "'5790 m/s' or '5.79 mm/us'"),
    "impedance": ("Pa*s/m", "'45.4 MRayl'"),
    "density": ("kg/m**3", "'7900 kg/m^3' or '7.9 g/cm^3'"),
    "attenuation": ("Np/m", "'0.2 dB/mm' or '23 Np/m'"),
    "level": ("Np", "'-40 dB'"),
    "angle": ("rad", "'2 deg'"),
    "temperature": ("K", "'20 degC'"),
    "fraction": ("ratio", "'1 %'"),
}


class QuantityError(ValueError):
    """A text that is not the quantity it should be; the message says what would be."""


@cache
def _registry() -> Any:
    import pint  # takes a third of a second, and many a command meets no quantity

    # Decimal, so that "10 um" is the float 1e-05 and not its neighbour.
    registry: Any = pint.UnitRegistry(
        None, autoconvert_offset_to_baseunit=True, non_int_type=Decimal
    )
    registry.load_definitions(_DEFINITIONS)
    return registry


def _dimension_of(quantity: Any) -> str:
    for name, (unit, _) in DIMENSIONS.items():
        if quantity.dimensionality == _registry().parse_units(unit).dimensionality:
            return name
    return "quantity of another kind"


def _named(dimension: str) -> str:
    return f"{'an' if dimension[0] in 'aeiou' else 'a'} {dimension}"


def parse(text: object, dimension: str) -> float:
    """Turn a text with a unit into an SI float.

    Parameters
    ----------
    text
        For example ``"0.40 mm"``. A bare number is refused, except where a fraction is expected.
    dimension
        A key of `DIMENSIONS`.

    Returns
    -------
    float
        The value in the SI unit of that dimension (fractions as numbers: 1 % is 0.01).

    Raises
    ------
    QuantityError
        No unit, a wrong unit, not a number, or not finite.
    """
    import pint

    unit, examples = DIMENSIONS[dimension]
    if dimension == "fraction" and isinstance(text, int | float) and not isinstance(text, bool):
        text = repr(text)
    if not isinstance(text, str):
        raise QuantityError(f"{text!r} has no unit: {_named(dimension)} is written like {examples}")
    try:
        value = _magnitude(text, unit)
    except pint.UndefinedUnitError as error:
        raise QuantityError(
            f"{text!r}: unit {', '.join(error.unit_names)!r} is not known: "
            f"{_named(dimension)} is written like {examples}"
        ) from None
    except pint.DimensionalityError:
        quantity = _quantity(text)
        if quantity.unitless:
            problem = "has no unit"
        else:
            problem = f"is {_named(_dimension_of(quantity))}, not {_named(dimension)}"
        raise QuantityError(
            f"{text!r} {problem}: {_named(dimension)} is written like {examples}"
        ) from None
    except Exception:  # pint raises many kinds on text that is no expression
        raise QuantityError(
            f"{text!r} is not a quantity: {_named(dimension)} is written like {examples}"
        ) from None
    if not math.isfinite(value):
        raise QuantityError(
            f"{text!r} is not finite: {_named(dimension)} is written like {examples}"
        )
    return value


def _quantity(text: str) -> Any:
    return _registry().Quantity(text.replace("%", " percent"))


@lru_cache(maxsize=4096)
def _magnitude(text: str, unit: str) -> float:
    """Specs, set-ups and reports say the same again and again."""
    return float(_quantity(text).to(unit).magnitude)


def convert(value: float, dimension: str, unit: str) -> float:
    """Give an SI value in another unit of its dimension."""
    return float(_converted(value, dimension, unit))


def text(value: float, dimension: str, unit: str) -> str:
    """Write an SI value in `unit`, in the fewest digits from which `parse` makes the same float."""
    exact = _converted(value, dimension, unit)
    # What is further off than two roundings of a float need not be parsed (degC has an offset).
    near = abs(exact) / 2**51 if dimension != "temperature" else Decimal("Infinity")
    for digits in range(1, 28):
        number = Context(prec=digits).create_decimal(exact)
        candidate = f"{number:f} {unit}"
        if abs(number - exact) <= near and parse(candidate, dimension) == value:
            return candidate
    raise AssertionError(f"{value!r} does not survive {unit}")  # 27 digits outdo any float


def _converted(value: float, dimension: str, unit: str) -> Decimal:
    si = DIMENSIONS[dimension][0]
    found: Decimal = _registry().Quantity(Decimal(repr(value)), si).to(unit).magnitude
    return found


def _reader(dimension: str) -> Callable[[Any, ValidationInfo], Any]:
    def read(value: Any, info: ValidationInfo) -> Any:
        from_file = bool(info.context and info.context.get("from_file"))
        if value is None:
            return None
        if not from_file and isinstance(value, int | float):
            return value + 0.0  # Python callers speak SI; files and commands must name the unit
        return parse(value, dimension) + 0.0  # and -0 is 0, for equal set-ups have equal digests

    return read


Length = Annotated[float, BeforeValidator(_reader("length"))]
Time = Annotated[float, BeforeValidator(_reader("time"))]
Frequency = Annotated[float, BeforeValidator(_reader("frequency"))]
Velocity = Annotated[float, BeforeValidator(_reader("velocity"))]
Impedance = Annotated[float, BeforeValidator(_reader("impedance"))]
Density = Annotated[float, BeforeValidator(_reader("density"))]
Attenuation = Annotated[float, BeforeValidator(_reader("attenuation"))]
Level = Annotated[float, BeforeValidator(_reader("level"))]
Angle = Annotated[float, BeforeValidator(_reader("angle"))]
Temperature = Annotated[float, BeforeValidator(_reader("temperature"))]
Fraction = Annotated[float, BeforeValidator(_reader("fraction"))]
