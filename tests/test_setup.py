"""The set-up: what it refuses, what follows from it, and that a file of it makes an equal one."""

import tomllib

import numpy as np
import pytest
import tomlkit
from echotrial.errors import WrongQuestion
from echotrial.setup import Medium, Setup, Tolerance, Waveform, read_setup, waveform_reader
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

WRITTEN = {
    "centre_frequency": "20 MHz",
    "velocity": "5790 m/s",
    "wall_range": ["0.2 mm", "1.1 mm"],
}


def lengths(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(low, high)


@st.composite
def setups(draw: st.DrawFn) -> Setup:
    thin = draw(lengths(1e-5, 5e-3))
    optional = lambda strategy: draw(st.none() | strategy)  # noqa: E731
    medium = st.builds(
        Medium,
        material=st.sampled_from(["steel", "nylon 6-6", "water"]),
        impedance=st.none() | st.floats(1e3, 1e8),
        velocity=st.none() | st.floats(300.0, 7000.0),
        length=st.none() | lengths(1e-3, 0.1),
    )
    frequency = draw(st.floats(1e5, 1e8))
    return Setup(
        centre_frequency=frequency,
        bandwidth=optional(st.floats(0.05, 1.9).map(lambda b: b * frequency)),
        velocity=draw(st.floats(300.0, 7000.0)),
        velocity_uncertainty=draw(st.floats(0.0, 500.0)),
        zero_offset=draw(st.floats(-1e-5, 1e-5)),
        interface_echo=optional(st.floats(-1e-5, 1e-4)),
        wall_range=(thin, thin * draw(st.floats(1.01, 50.0))),
        tolerance=Tolerance(relative=draw(st.floats(0.0, 0.2)), absolute=draw(lengths(0.0, 1e-3))),
        delay_line=optional(medium),
        couplant=optional(medium),
        wall=optional(medium),
        outside_diameter=optional(st.floats(2.01, 100.0).map(lambda k: k * thin)),
        element_diameter=optional(lengths(1e-4, 0.1)),
        mode=draw(st.sampled_from([None, 1, 2, 3])),
        length_unit=draw(st.sampled_from(["mm", "in"])),
    )


@given(setups())
@settings(max_examples=25, deadline=None)
def test_a_set_up_survives_its_own_file_to_the_last_bit(setup):
    written = tomllib.loads(tomlkit.dumps(setup.table()))
    read = read_setup(written, "round trip")
    assert read == setup
    assert read.digest() == setup.digest()


def test_a_reference_echo_survives_with_its_file(tmp_path):
    samples = np.sin(np.arange(50, dtype=np.float32))
    np.save(tmp_path / "reference.npy", samples)
    data = WRITTEN | {"reference_echo": {"file": "reference.npy", "first_sample": "0.1 us"}}
    reader = waveform_reader(tmp_path, 1e8, 0.0)
    setup = read_setup(data, "sheet", reader)
    assert setup.reference_echo == Waveform(samples, 1e8, 1e-7)
    assert read_setup(setup.table("reference.npy"), "again", reader) == setup
    on_the_records_clock = read_setup(WRITTEN | {"reference_echo": "reference.npy"}, "s", reader)
    assert on_the_records_clock.reference_echo.start_s == 0.0
    assert not setup.reference_echo.samples.flags.writeable


def test_inches_are_kept_as_the_users_unit():
    inch = WRITTEN | {"wall_range": ["0.008 in", "0.043 in"]}
    setup = read_setup(inch, "sheet")
    assert setup.length_unit == "in"
    assert setup.wall_range == (0.0002032, 0.0010922)  # 1 in = 25.4 mm exactly
    assert setup.table()["wall_range"] == ["0.008 in", "0.043 in"]
    assert read_setup(WRITTEN, "sheet").length_unit == "mm"


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (
            {"velocty": "5790 m/s"},
            "sheet: velocty: unknown key 'velocty': did you mean 'velocity'?",
        ),
        ({"tolerance": {"relativ": "1 %"}}, "unknown key 'relativ': did you mean 'relative'?"),
        ({"wall": {"impedence": "45 MRayl"}}, "did you mean 'impedance'?"),
        ({"velocity": 5790}, "velocity: 5790 has no unit: a velocity is written like"),
        ({"velocity": "5790 m"}, "is a length, not a velocity"),
        ({"velocity": "-5790 m/s"}, "is not positive"),
        ({"wall_range": ["1.1 mm", "0.2 mm"]}, "give the thinner wall first"),
        ({"wall_range": ["0 mm", "1 mm"]}, "is not positive"),
        ({"wall_range": ["0.2 mm"]}, "wall_range"),
        ({"mode": 4}, "mode"),
        ({"bandwidth": "40 MHz"}, "no such probe"),
        ({"outside_diameter": "0.3 mm"}, "thicker than the radius"),
        ({"wall": {}}, "name a material or give its impedance"),
        ({"reference_echo": "ref.npy"}, "only be named inside a corpus or set-up file"),
    ],
)
def test_what_cannot_be_is_refused_with_key_value_and_rule(change, said):
    with pytest.raises(WrongQuestion) as error:
        read_setup(WRITTEN | change, "sheet")
    assert said in str(error.value)


@pytest.mark.parametrize("key", ["velocity", "centre_frequency", "wall_range"])
def test_what_is_required_is_named(key):
    with pytest.raises(WrongQuestion, match=f"sheet: {key}: is required and missing"):
        read_setup({k: v for k, v in WRITTEN.items() if k != key}, "sheet")


def test_everything_wrong_is_said_at_once():
    with pytest.raises(WrongQuestion) as error:
        read_setup(WRITTEN | {"velocity": 1, "mode": 9, "colour": "red"}, "sheet")
    assert len(str(error.value).splitlines()) == 3


@pytest.mark.parametrize("value", [float("nan"), float("inf")])
def test_no_nan_or_infinity_gets_in_from_python_either(value):
    with pytest.raises(ValidationError):
        Setup(centre_frequency=20e6, velocity=value, wall_range=(1e-4, 1e-3))


def test_a_set_up_cannot_be_changed():
    with pytest.raises(ValidationError):
        read_setup(WRITTEN, "sheet").velocity = 1.0  # type: ignore[misc]


# ISO 16809:2017 clause 4: mode 1 and 2 d = v (t - t0) / 2, mode 3 d = v t / (2 m).
@pytest.mark.parametrize(
    ("mode", "interval_s", "spans", "thickness_m"),
    [
        (1, 0.5e-6, 1, 1.2e-3),
        (2, 0.5e-6, 1, 1.2e-3),
        (3, 0.4e-6, 1, 1.2e-3),
        (3, 1.2e-6, 3, 1.2e-3),
    ],
)
def test_an_interval_becomes_a_thickness_by_the_standards_formula(
    mode, interval_s, spans, thickness_m
):
    setup = Setup(
        centre_frequency=5e6,
        velocity=6000.0,
        zero_offset=0.1e-6,
        wall_range=(1e-3, 2e-3),
        mode=mode,
    )
    assert np.isclose(setup.thickness_m(interval_s, spans), thickness_m, rtol=1e-12)
    assert np.isclose(setup.thickness_m(interval_s, spans, mode=mode), thickness_m, rtol=1e-12)


def test_a_detectors_own_mode_decides_over_the_set_ups():
    setup = Setup(
        centre_frequency=5e6, velocity=6000.0, zero_offset=0.1e-6, wall_range=(1e-3, 2e-3), mode=2
    )
    assert np.isclose(setup.thickness_m(0.4e-6, mode=3), 1.2e-3, rtol=1e-12)
    assert np.isclose(setup.thickness_m(setup.interval_s(1.2e-3), mode=3), 1.2e-3, rtol=1e-12)
    assert np.isnan(setup.thickness_m([np.nan])).all()


# Polystyrene 1050 kg/m3, 2350 m/s on steel 7850 kg/m3, 5900 m/s: r = 0.898836672987, the plane-wave
# formula of Kinsler, Frey, Coppens, Sanders, ch. 6, evaluated with the PyPI package tmm.
def test_reflection_and_polarity_of_a_metal_wall():
    setup = Setup(
        centre_frequency=20e6,
        velocity=5900.0,
        wall_range=(1e-4, 1e-3),
        delay_line=Medium(impedance=1050 * 2350.0),
        wall=Medium(impedance=7850 * 5900.0),
    )
    assert setup.interface_reflection == pytest.approx(0.898836672987, abs=1e-12)
    assert setup.interface_polarity == -1
    unknown = setup.model_copy(update={"wall": None})
    assert unknown.interface_reflection is None
    assert unknown.interface_polarity == 0


def test_the_tolerance_is_the_larger_of_share_and_length():
    found = Tolerance(relative=0.01, absolute=5e-6).of([0.1e-3, 0.5e-3, 2e-3, np.nan])
    assert np.allclose(found, [5e-6, 5e-6, 20e-6, np.nan], equal_nan=True)


def test_materials_resolve_to_their_impedance_and_unknown_ones_are_named():
    setup = Setup(
        centre_frequency=20e6,
        velocity=5790.0,
        wall_range=(1e-4, 1e-3),
        wall=Medium(material="steel"),
        couplant=Medium(material="water", impedance=1.4e6),
    )
    table = {"steel": 45e6, "water": 1.5e6}
    resolved = setup.resolved(table.__getitem__, list(table))
    assert resolved.wall.impedance == 45e6
    assert resolved.couplant.impedance == 1.4e6  # what the user gave stays
    with pytest.raises(WrongQuestion, match=r"'steel' is not in the table: did you mean 'stee1'\?"):
        setup.resolved(table.__getitem__, ["stee1"])


def test_the_digest_sees_every_field_and_the_reference_echo():
    setup = read_setup(WRITTEN, "sheet")
    wave = Waveform(np.ones(3, np.float32), 1e8)
    others = [
        setup.model_copy(update={"velocity": 5791.0}),
        setup.model_copy(update={"mode": 2}),
        setup.model_copy(update={"wall": Medium(impedance=1e6)}),
        setup.model_copy(update={"reference_echo": wave}),
        setup.model_copy(update={"reference_echo": Waveform(wave.samples * 2, 1e8)}),
        setup.model_copy(update={"reference_echo": Waveform(wave.samples, 1e8, 1e-6)}),
    ]
    assert len({s.digest() for s in [setup, *others]}) == 1 + len(others)
