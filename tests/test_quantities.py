"""Quantities: exact by the definitions of the units, both ways, and clear about what is wrong."""

import math

import pytest
from echotrial.quantities import DIMENSIONS, QuantityError, convert, parse, text
from hypothesis import example, given
from hypothesis import strategies as st

# Inch: exactly 25.4 mm (international yard and pound agreement, 1959; ISO 80000-3). Decibel and
# neper: 1 dB = ln(10)/20 Np (ISO 80000-3, root-power quantities). Rayl: 1 Pa s/m (common use).
EXACT = [
    ("0.40 mm", "length", 0.4e-3),
    ("10 um", "length", 1e-5),
    ("10 µm", "length", 1e-5),
    ("10 μm", "length", 1e-5),
    ("1 in", "length", 0.0254),
    ("0.016 in", "length", 0.0004064),
    ("16 mil", "length", 0.0004064),
    ("16 thou", "length", 0.0004064),
    ("2 ft", "length", 0.6096),
    ("0.6 us", "time", 0.6e-6),
    ("50 ns", "time", 50e-9),
    ("20 MHz", "frequency", 20e6),
    ("5790 m/s", "velocity", 5790.0),
    ("5.79 mm/us", "velocity", 5790.0),
    ("0.228 in/us", "velocity", 5791.2),
    ("45.4 MRayl", "impedance", 45.4e6),
    ("7.9 g/cm^3", "density", 7900.0),
    ("20 degC", "temperature", 293.15),
    ("1 %", "fraction", 0.01),
    ("0.5 percent", "fraction", 0.005),
    (" 0.40  mm ", "length", 0.4e-3),
    ("-3e-1 us", "time", -0.3e-6),
]


@pytest.mark.parametrize(("written", "dimension", "si"), EXACT)
def test_a_text_becomes_the_nearest_float_of_its_exact_value(written, dimension, si):
    assert parse(written, dimension) == si


def test_decibels_are_nepers_by_the_definition():
    assert math.isclose(parse("1 dB", "level"), math.log(10) / 20, rel_tol=1e-15)
    assert math.isclose(parse("0.2 dB/mm", "attenuation"), 200 * math.log(10) / 20, rel_tol=1e-15)
    assert math.isclose(parse("180 deg", "angle"), math.pi, rel_tol=1e-15)


@pytest.mark.parametrize(
    ("written", "dimension", "said"),
    [
        (0.4, "length", "0.4 has no unit: a length is written like '0.40 mm' or '0.016 in'"),
        ("0.4", "length", "'0.4' has no unit"),
        (True, "length", "has no unit"),
        (None, "length", "has no unit"),
        ("0.4 furlong", "length", "unit 'furlong' is not known"),
        ("20 MHz", "length", "is a frequency, not a length"),
        ("3 dB", "fraction", "is a level, not a fraction"),
        ("3 MRayl", "density", "is an impedance, not a density"),
        ("five mm", "length", "a length is written like"),
        ("nan mm", "length", "a length is written like"),
        ("1e999 mm", "length", "is not finite"),
        ("", "length", "a length is written like"),
        ("1 mm; import os", "length", "a length is written like"),
        (["1 mm"], "length", "has no unit"),
    ],
)
def test_what_is_no_quantity_is_refused_with_value_rule_and_example(written, dimension, said):
    with pytest.raises(QuantityError) as error:
        parse(written, dimension)
    assert said in str(error.value)


def test_a_bare_number_may_be_a_fraction_and_nothing_else():
    assert parse(0.01, "fraction") == 0.01
    for dimension in set(DIMENSIONS) - {"fraction"}:
        with pytest.raises(QuantityError, match="has no unit"):
            parse(0.01, dimension)


REASONABLE = st.floats(1e-9, 1e9, allow_nan=False) | st.floats(-1e9, -1e-9)


@given(REASONABLE, st.sampled_from(["mm", "in", "um", "mil", "m"]))
@example(1e-5, "in")
@example(0.1 + 0.2, "mil")
def test_a_length_survives_being_written_to_the_last_bit(value, unit):
    assert parse(text(value, "length", unit), "length") == value


@given(
    REASONABLE,
    st.sampled_from(
        [
            ("time", "us"),
            ("frequency", "MHz"),
            ("velocity", "m/s"),
            ("velocity", "in/us"),
            ("impedance", "MRayl"),
            ("fraction", "%"),
            ("attenuation", "dB/mm"),
            ("level", "dB"),
            ("angle", "deg"),
            ("density", "g/cm**3"),
        ]
    ),
)
def test_every_kind_survives_being_written_to_the_last_bit(value, kind):
    dimension, unit = kind
    assert parse(text(value, dimension, unit), dimension) == value


@given(st.integers(1, 99999), st.integers(0, 5), st.sampled_from(["mm", "in"]))
def test_what_a_person_wrote_comes_back_as_short_as_it_was(digits, places, unit):
    written = f"{digits / 10**places:.{places}f} {unit}"
    value = parse(written, "length")
    assert float(text(value, "length", unit).split()[0]) == digits / 10**places


@given(st.floats(1e-6, 1.0))
def test_converting_to_inches_and_millimetres_agree_with_the_definition(value):
    assert math.isclose(convert(value, "length", "in") * 25.4, value * 1e3, rel_tol=1e-14)
