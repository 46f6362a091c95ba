"""The forward model against a second, independent path: travelling waves in the time domain.

The lattice itself is first held against identities and finite differences. ``python -m
tests.test_time_domain``, from the project's folder, prints the table of lossless layered cases.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from echotrial.corpus.sheet import import_sheet
from echotrial_corpora.draw import DRY, nominal
from echotrial_corpora.layers import Layer, reflection
from echotrial_corpora.spec import CorpusSpec
from echotrial_corpora.synthesis import respond as respond_to
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.signal import resample

from tests.timedomain import exam
from tests.timedomain.differences import reflected
from tests.timedomain.exam import KINDS, envelope_peak, make_exam, pulse, write_sheet
from tests.timedomain.lattice import Lattice, goupillaud, on_lattice, respond, respond_by_order
from tests.timedomain.table import CASES, DURATION, STEP, Case, Medium, Row, compare, text

POLYSTYRENE, STEEL = 1050 * 2350.0, 7850 * 5900.0
GLYCERIN = 1260 * 1904.0


def click(n: int) -> NDArray[np.float64]:
    source = np.zeros(n)
    source[0] = 1.0
    return source


def test_echo_train_on_steel_follows_the_closed_form() -> None:
    # e0 = r, e_n = (1 - r^2) r12 (-r r12)^(n-1); Kinsler et al., ch. 6 (from memory).
    answer = respond(click(2000), Lattice(POLYSTYRENE, 1.0, STEEL, 0.0, (0,), 100))
    echoes = answer[::100]
    np.testing.assert_allclose(echoes[0], 0.898836672987, atol=1e-12)
    np.testing.assert_allclose(echoes[1:5], [-0.1921, -0.1727, -0.1552, -0.1395], atol=5e-5)
    np.testing.assert_allclose(echoes[2:] / echoes[1:-1], echoes[0], atol=1e-9)
    assert np.count_nonzero(answer) == echoes.size


def test_lossless_free_wall_gives_all_energy_back_with_sign_minus_one() -> None:
    answer = respond(click(60_000), Lattice(POLYSTYRENE, GLYCERIN, STEEL, 0.0, (11,), 100))
    assert answer.sum() == pytest.approx(-1, abs=1e-9)
    assert (answer**2).sum() == pytest.approx(1, abs=1e-9)
    np.testing.assert_allclose(np.abs(np.fft.rfft(answer)), 1, atol=1e-9)


@pytest.mark.parametrize("couplant_steps", [1, 2, 7])
@pytest.mark.parametrize("backing", [0.0, 1.48e6])
def test_lattice_agrees_with_its_slow_twin(couplant_steps: int, backing: float) -> None:
    source = np.random.default_rng(5).standard_normal(150)
    fast = respond(source, Lattice(POLYSTYRENE, GLYCERIN, STEEL, backing, (couplant_steps,), 12))
    cells = [POLYSTYRENE, *[GLYCERIN] * couplant_steps, *[STEEL] * 12, backing]
    np.testing.assert_allclose(fast, goupillaud(source, cells), atol=1e-12)


def test_orders_sum_to_the_whole() -> None:
    lattice = Lattice(POLYSTYRENE, GLYCERIN, STEEL, 0.0, (3, 0, 17), 40, 9)
    source = np.random.default_rng(6).standard_normal(200)
    orders = respond_by_order(source, lattice, 8)
    np.testing.assert_allclose(orders.sum(axis=0), respond(source, lattice), atol=1e-12)


def test_lattice_agrees_with_finite_differences() -> None:
    # 10 um of glycerin on 0.15 mm of steel (0.4 wavelengths) in water: nothing is resolved.
    cell, gap, wall = 2.5e-6, 10e-6, 0.15e-3
    step = 0.9 * cell / 5900
    time = step * np.arange(int(1.2e-6 / step))
    layers = [
        (1050.0, 2350.0, round(1e-3 / cell)),
        (1260.0, 1904.0, round(gap / cell)),
        (7850.0, 5900.0, round(wall / cell)),
        (1000.0, 1480.0, round(0.6e-3 / cell)),
    ]
    incident, seen = reflected(pulse(15e6, 9e6)(time), layers, cell, step)
    fine = np.arange(0, time[-1], 0.05e-9)
    path = 2 * 3.5 * cell / 2350  # the receiver sits 3.5 cells above the interface
    source = CubicSpline(time, incident)(np.maximum(fine - path, 0))
    couplant, wall_steps = (
        on_lattice(d, v, 0.05e-9)[0] for d, v in [(gap, 1904.0), (wall, 5900.0)]
    )
    lattice = Lattice(POLYSTYRENE, GLYCERIN, STEEL, 1480e3, (couplant,), wall_steps)
    answer = CubicSpline(fine, respond(source, lattice))(time[:-2])
    assert np.linalg.norm(answer - seen[:-2]) < 0.003 * np.linalg.norm(answer)


@pytest.mark.parametrize("kind", KINDS)
def test_exam_has_the_polarity_of_the_set_up(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    thick = replace(KINDS[kind], gap_m=(0.5e-6, 1e-6), wavelengths=(2.5, 5.0))
    monkeypatch.setitem(KINDS, kind, thick)
    batch, truth = make_exam(kind, 20, 3, same_start=True)
    setup = batch.setup
    assert setup.reference_echo is not None
    assert setup.interface_echo is not None
    body = setup.reference_echo.samples[90:200]
    for row in truth[truth.kind == "wall"].itertuples():
        marks = 1e-6 * np.array([row.interface_us, *row.back_wall_us[:2]])
        # e_n = (1 - r^2) r12 (-r r12)^(n-1): multiples alternate where Z_delay > Z_wall.
        signs = [setup.interface_polarity, 1, -setup.interface_polarity]
        for mark, sign in zip(marks, signs, strict=True):
            at = 90 + int(np.rint((mark - setup.interface_echo) * batch.rate_hz))
            near = [batch.samples[row.record, at + s : at + s + 110] @ body for s in (-1, 0, 1)]
            assert np.sign(max(near, key=abs)) == sign


def test_dry_records_are_the_reference_echo(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(exam, "DRY", 1 - exam.WET_TIP)
    batch, truth = make_exam("metal", 6, 4, same_start=True)
    reference = batch.setup.reference_echo
    assert reference is not None
    assert batch.setup.interface_echo is not None
    dry = truth[truth.kind == "dry"]
    assert len(dry) >= 4
    for row in dry.itertuples():
        delay = 1e-6 * row.interface_us - batch.setup.interface_echo
        assert abs(delay) < 31e-9
        gain_db = 20 * np.log10(batch.samples[row.record].max() / reference.samples.max())
        assert -2 < gain_db < 1.5


def test_exam_is_the_same_for_the_same_seed_and_shared_records_do_not_depend_on_n() -> None:
    few, _ = make_exam("nylon-matched", 3, 9)
    more, _ = make_exam("nylon-matched", 5, 9)
    np.testing.assert_array_equal(few.samples, more.samples[:3])


def test_truth_of_thick_walls_is_the_round_trip(monkeypatch: pytest.MonkeyPatch) -> None:
    thick = replace(KINDS["metal"], gap_m=(0.5e-6, 1e-6), wavelengths=(2.5, 5.0))
    monkeypatch.setitem(KINDS, "metal", thick)
    _, truth = make_exam("metal", 12, 3)
    for row in truth[truth.kind == "wall"].itertuples():
        steps = np.diff([row.interface_us, *row.back_wall_us[:3]])
        np.testing.assert_allclose(steps, 2e3 * row.thickness_mm / 5740, atol=0.3e-3)


def test_an_exam_can_be_imported(tmp_path: Path) -> None:
    batch, truth = make_exam("nylon-mismatched", 20, 5)
    corpus = import_sheet(
        write_sheet(tmp_path / "sheet", "an-exam", batch, truth), tmp_path / "out"
    )
    assert corpus.origin == "synthetic"
    again = corpus.batch(0, 20)
    np.testing.assert_array_equal(again.samples, batch.samples)
    np.testing.assert_allclose(again.start_s, batch.start_s, rtol=0, atol=1e-15)
    assert again.setup.digest() == batch.setup.digest()
    for name in ("thickness_mm", "interface_us", "tail_end_us", "kind", "split"):
        pd.testing.assert_series_equal(corpus.truth[name], truth[name], check_dtype=False)
    for ours, theirs in zip(truth.back_wall_us, corpus.truth.back_wall_us, strict=True):
        np.testing.assert_allclose(theirs, ours)


@pytest.mark.parametrize("frequency", [10e6, 20e6])
def test_pulse_has_the_stated_bandwidth(frequency: float) -> None:
    # -6 dB limits, centre = their mean: ASTM E1065 (3.2.2; the mean from memory).
    wave = pulse(frequency, 0.6 * frequency)(np.arange(4000) * 1e-9)
    spectrum = np.abs(np.fft.rfft(wave, 1 << 17))
    f = np.fft.rfftfreq(1 << 17, 1e-9)
    band = f[spectrum > 10 ** (-6 / 20) * spectrum.max()]
    assert (band[0] + band[-1]) / 2 == pytest.approx(frequency, rel=0.05)
    assert band[-1] - band[0] == pytest.approx(0.6 * frequency, rel=0.15)
    assert 20 * np.log10(spectrum[f > 5 * frequency].max() / spectrum.max()) < -50


def test_envelope_peak_of_a_gaussian_is_found_to_a_few_picoseconds() -> None:
    t = np.arange(800) * 2.5e-9
    wave = np.exp(-(((t - 1.0003e-6) / 45e-9) ** 2)) * np.cos(2 * np.pi * 20e6 * t)
    assert envelope_peak(wave, 400e6) == pytest.approx(1.0003e-6, abs=5e-12)


# -- the forward model's layers against the lattice ------------------------------------------------


def layer(medium: Medium, thickness_m: float = 0.0) -> Layer:
    density, velocity = medium
    return Layer(max(density, 1e-9), velocity, thickness=thickness_m)


def by_layer_formula(case: Case) -> NDArray[np.float64]:
    """The record by the forward model's reflection, damped so that nothing wraps around."""
    source = case.incident()
    damping = 6 / DURATION
    decay = np.exp(-damping * STEP * np.arange(source.size))
    spectrum = np.fft.rfft(source * decay, 2 * source.size)
    f = np.fft.rfftfreq(2 * source.size, STEP)
    spectrum[f > 6 * case.frequency] = 0
    s = damping + 2j * np.pi * f[f <= 6 * case.frequency]
    stacks = [
        [
            layer(case.delay),
            layer(case.couplant, gap),
            layer(case.wall, case.exact_wall_m),
            layer(case.backing),
        ]
        for gap in case.exact_gaps_m
    ]
    spectrum[: s.size] *= np.mean([reflection(s, stack) for stack in stacks], axis=0)
    return np.fft.irfft(spectrum)[: source.size] / decay


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_layer_formula_agrees_with_the_lattice(case: Case) -> None:
    row = compare(case, by_layer_formula)
    assert row.nrms <= 0.01
    assert all(abs(shift) <= 0.1e-9 for shift in row.shifts_s)
    if case.wavelengths > 3:
        assert len(row.shifts_s) == 2  # interface and first back-wall echo


def test_the_table_sees_a_wall_off_by_a_micrometre() -> None:
    thin = next(case for case in CASES if case.name == "film 4 um, thin")
    thick = next(case for case in CASES if case.name == "film 3 um, thick")
    off = [replace(case, wall_m=case.wall_m + 1e-6) for case in (thin, thick)]
    assert compare(thin, lambda case: by_layer_formula(off[0])).nrms > 0.01
    shift = compare(thick, lambda case: by_layer_formula(off[1])).shifts_s[1]
    assert shift == pytest.approx(2e-6 / 5740, rel=0.05)


# -- the generator, end to end ---------------------------------------------------------------------

#: The lattice's steps in a sample of the records, 100 MS/s.
KEEP = round(10e-9 / STEP)


def stuff(medium: Medium, **more: str) -> dict[str, str]:
    density, velocity = medium
    return {
        "density": f"{max(density, 1e-6)!r} kg/m^3",
        "velocity": f"{velocity!r} m/s",
        "attenuation": "0 Np/m",
        **more,
    }


def spec_of(case: Case, tube: bool = False) -> CorpusSpec:
    """A lossless spec of one stack, flat or a tube of 5 mm, with a pulse that rings."""
    mhz = 1e-6 * case.frequency
    gap, wall = (f"{1e6 * length!r} um" for length in (case.exact_gaps_m[0], case.exact_wall_m))
    contour = {"tip_radius": "2.6 mm", "strips": 9} if tube else {"strips": 1}
    outside = {"outside_diameter": "5 mm"} if tube else {}
    table = {
        "name": "lossless",
        "about": "invented, for a comparison",
        "probe": {
            "centre_frequency": f"{mhz} MHz",
            "bandwidth": f"{0.6 * mhz} MHz",
            "phase": "40 deg",
            "decay": "10 ns",
            "ring": {"frequency": f"{0.85 * mhz} MHz", "level": "-30 dB", "decay": "0.1 us"},
            "element_diameter": "3 mm",
            "diffraction": False,
        },
        "delay_line": stuff(case.delay, length="6 mm"),
        "couplant": {
            **stuff(case.couplant, gap=gap),
            "attenuation_exponent": 2,
            **contour,
        },
        "wall": stuff(case.wall, thickness=wall, **outside),
        "backing": stuff(case.backing),
        "receiver": {"band": ["1 MHz", "45 MHz"], "snr": "40 dB"},
    }
    return CorpusSpec.read(table, case.name)


def by_generator(spec: CorpusSpec, wall_m: float) -> tuple[NDArray[np.float64], ...]:
    """Echo of the bare tip and record on the wall, noise-free, in the generator's own units."""
    params = np.repeat(nominal(spec, np.array([wall_m])), 2)
    bare = params[:1]
    bare["kind"], bare["thickness"], bare["velocity"] = DRY, 0.0, 343.0
    bare["density"] = 1e-9  # a vacuum: reflection -1
    params["divergence"] = 1.0  # a tube's bore spreads the beam; the lattice knows plane waves
    clean = respond_to(spec, params).clean
    return clean[0], clean[1]


def against_generator(case: Case) -> Row:
    bare, record = by_generator(spec_of(case), case.exact_wall_m)
    return compare(case, lambda _: record, -resample(bare, bare.size * KEEP), KEEP)


@pytest.mark.parametrize(
    "case", [case for case in CASES if len(case.gaps_m) == 1], ids=lambda case: case.name
)
def test_generator_agrees_with_the_lattice(case: Case) -> None:
    row = against_generator(case)
    assert row.nrms <= 0.01
    assert all(abs(shift) <= 0.1e-9 for shift in row.shifts_s)


def test_gap_under_a_tube_is_averaged_over_the_aperture() -> None:
    # Flat 3 mm disc whose tip is contoured to 2.6 mm, on a tube of 2.5 mm radius: the gap is
    # gap + x^2/2 (1/2.5 - 1/2.6) mm. The lattice takes 160 chords, weighted by their length.
    tube = next(case for case in CASES if case.name == "film 4 um, thin")
    bare, record = by_generator(spec_of(tube, tube=True), tube.exact_wall_m)
    source = -resample(bare, bare.size * KEEP)
    x = (np.arange(160) + 0.5) / 160
    gaps = tube.exact_gaps_m[0] + (1.5e-3 * x) ** 2 / 2 * (1 / 2.5e-3 - 1 / 2.6e-3)
    chords = [respond(source, replace(tube, gaps_m=(gap,)).lattice())[::KEEP] for gap in gaps]
    answer = np.average(chords, axis=0, weights=np.sqrt(1 - x**2))
    assert np.ptp(gaps) > 15e-6
    assert np.linalg.norm(record - answer) <= 0.01 * np.linalg.norm(answer)


def main() -> None:
    """Print both tables."""
    print("Layer formula against travelling waves (lossless, exact thicknesses shared):")
    print(text(compare(case, by_layer_formula) for case in CASES))
    print(
        "\nGenerator, end to end at 100 MS/s, against travelling waves driven by its bare-tip echo:"
    )
    print(text(against_generator(case) for case in CASES if len(case.gaps_m) == 1))


if __name__ == "__main__":
    main()
