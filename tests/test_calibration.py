"""Calibration against a worked two-point example, ``numpy.polyfit``, and the draw of the lot."""

import numpy as np
import pandas as pd
import pytest
from echotrial.choose.calibration import (
    Calibration,
    Sample,
    calibrate,
    least_squares,
    two_point,
    velocity_from,
    zero_offset_from,
)
from echotrial.choose.samples import samples_from, wrong_echo
from echotrial.errors import Refused
from echotrial.setup import Setup
from hypothesis import given, settings
from hypothesis import strategies as st

STEEL = Setup(centre_frequency=15e6, velocity=5900.0, wall_range=(0.3e-3, 4e-3))
# JCGM 100:2008, 5.1.2 eq. (10) and 5.2.2 eq. (13), worked for blocks of 1.000 and 2.500 mm of steel
# at 5900 m/s, u(d_i) = 1 um, u(t) = 0.5 ns each (also by Monte Carlo, JCGM 101, 10^6 draws).
EXAMPLE = {0.30: 3.114, 0.50: 2.859, 1.00: 2.313, 1.75: 1.940, 2.50: 2.313, 4.00: 4.249}
DRAWN = {0.30: 3.115, 0.50: 2.855, 1.00: 2.314, 1.75: 1.940, 2.50: 2.313, 4.00: 4.245}


def block(d_mm, v=5900.0, zero=0.0, u_d=1e-6, u_t=0.5e-9, off=0.0, name="b"):
    d = d_mm * 1e-3
    return Sample(name, d, u_d, 2 * d / v + zero + off, u_t)


def test_worked_example_of_two_blocks():
    found = two_point(block(1.0), block(2.5))
    assert found.velocity_u == pytest.approx(9.913, abs=1e-3)
    assert found.zero_offset_u == pytest.approx(1.0844e-9, abs=1e-13)
    assert found.correlation == pytest.approx(0.9191, abs=1e-4)
    for d, u in EXAMPLE.items():
        assert found.thickness_u_m(d * 1e-3, 0.5e-9) * 1e6 == pytest.approx(u, abs=1e-3)
        assert found.thickness_u_m(d * 1e-3, 0.5e-9) * 1e6 == pytest.approx(DRAWN[d], rel=5e-3)


def test_without_the_covariance_the_example_comes_out_wrong():
    """3.558 um at 0.30 mm and 7.588 um at 4.00 mm: what forgetting the correlation gives."""
    found = two_point(block(1.0), block(2.5))
    bare = np.diag(np.diag(found.covariance))
    for d, wrong in ((0.30e-3, 3.558), (4.0e-3, 7.588)):
        c = found.sensitivity(d)
        u = np.sqrt(c @ bare @ c + (5900 / 2 * 0.5e-9) ** 2)
        assert u * 1e6 == pytest.approx(wrong, abs=2e-3)


@given(
    st.floats(1000, 8000), st.floats(-50e-9, 50e-9), st.floats(0.2, 1.0), st.floats(1.2, 5.0),
)  # fmt: skip
def test_two_point_is_the_line_through_both(v, zero, thin, thick):
    """ASTM E797's two-point standardisation is the straight line that ``numpy.polyfit`` draws."""
    a, b = block(thin, v, zero), block(thick, v, zero)
    slope, at_zero = np.polyfit([a.interval_s, b.interval_s], [a.thickness_m, b.thickness_m], 1)
    found = two_point(a, b)
    assert found.velocity == pytest.approx(2 * slope, rel=1e-9)
    assert found.zero_offset == pytest.approx(-at_zero / slope, abs=1e-15)
    assert found.holds_m == (a.thickness_m, b.thickness_m)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
def test_least_squares_agrees_with_orthogonal_distances():
    """Errors in both: ``scipy.odr`` (ODRPACK; Boggs, Rogers) is another way to the same line."""
    odr = pytest.importorskip("scipy.odr", reason="scipy without odr")
    rng = np.random.default_rng(3)
    walls = np.linspace(0.4, 3.5, 9)
    blocks = [block(d, zero=8e-9, off=rng.normal(0, 5e-10)) for d in walls]
    t = np.array([s.interval_s for s in blocks])
    data = odr.RealData(t * 1e9, walls * 1e3, sx=0.5, sy=1.0)
    slope = odr.ODR(data, odr.unilinear, beta0=[2.9, 0.0]).run().beta[0]
    assert least_squares(blocks).velocity == pytest.approx(2 * slope * 1e3, rel=1e-6)


def test_least_squares_of_equal_weights_is_polyfit_with_its_covariance():
    """u(d) = 0 and equal u(t) regress t on d: value and covariance from ``numpy.polyfit``."""
    rng = np.random.default_rng(1)
    d = np.linspace(0.4, 3.5, 8)
    blocks = [block(x, zero=8e-9, u_d=0, off=rng.normal(0, 5e-10)) for x in d]
    t = np.array([s.interval_s for s in blocks])
    (slope, zero), covariance = np.polyfit(d * 1e-3, t, 1, w=np.full(8, 2e9), cov="unscaled")
    found = least_squares(blocks)
    assert found.velocity == pytest.approx(2 / slope, rel=1e-6)
    assert found.zero_offset == pytest.approx(zero, abs=2e-12)
    assert found.zero_offset_u == pytest.approx(np.sqrt(covariance[1, 1]), rel=1e-3)
    assert found.velocity_u == pytest.approx(2 / slope**2 * np.sqrt(covariance[0, 0]), rel=1e-3)


def test_least_squares_of_two_is_two_point():
    a, b = block(1.0, zero=5e-9), block(2.5, zero=5e-9)
    assert least_squares([a, b]).velocity == pytest.approx(two_point(a, b).velocity, rel=1e-12)
    np.testing.assert_allclose(
        least_squares([a, b]).covariance, two_point(a, b).covariance, rtol=1e-9
    )


def test_covariance_holds_what_repeated_calibrations_scatter():
    """The whole lot drawn 4000 times: the scatter of (v, t0) is the covariance that is stated."""
    rng = np.random.default_rng(7)
    d = np.array([0.5, 1.2, 2.0, 3.5])
    stated = least_squares([block(x, zero=8e-9) for x in d])
    drawn = np.array([
        (c.velocity, c.zero_offset)
        for c in (
            least_squares([
                Sample("b", x * 1e-3 + rng.normal(0, 1e-6), 1e-6,
                       2 * x * 1e-3 / 5900 + 8e-9 + rng.normal(0, 5e-10), 5e-10)
                for x in d
            ])
            for _ in range(1500)
        )
    ])  # fmt: skip
    scale = np.sqrt(np.outer(np.diag(stated.covariance), np.diag(stated.covariance)))
    np.testing.assert_allclose(np.cov(drawn.T) / scale, stated.covariance / scale, atol=0.12)


def test_lack_of_fit_is_seen_and_its_absence_rarely_doubted():
    rng = np.random.default_rng(5)
    d = np.linspace(0.4, 3.5, 7)
    straight = [
        least_squares([block(x, u_d=0, off=rng.normal(0, 5e-10)) for x in d]).fits
        for _ in range(400)
    ]
    assert 0.91 <= np.mean(straight) <= 0.985  # 95 % by design, within 3.7 sigma
    bent = [block(x, u_d=0, off=1.5e-9 * (x - 2) ** 2) for x in d]
    assert not least_squares(bent).fits


def test_one_point_either_way():
    sample = block(2.0, v=5800.0, zero=10e-9)
    zero = zero_offset_from(sample, 5800.0, 58.0)
    assert zero.zero_offset == pytest.approx(10e-9, abs=1e-15)
    # dt0/dv = 2 d / v^2: 1 % of 2 mm is 20 um of thickness, 6.9 ns
    assert zero.zero_offset_u == pytest.approx(np.hypot(2 * 2e-3 / 5800**2 * 58, 0.61e-9), rel=2e-3)
    velocity = velocity_from([sample], 10e-9, 1e-9)
    assert velocity.velocity == pytest.approx(5800)
    assert velocity.correlation > 0


def test_given_zero_offset_brings_its_uncertainty_along():
    """Draw of the lot for one sample of 1 mm: v = 2 d / (t - t0)."""
    rng = np.random.default_rng(11)
    found = velocity_from([block(1.0, zero=10e-9)], 10e-9, 2e-9)
    zero = rng.normal(10e-9, 2e-9, 10**6)
    v = 2 * rng.normal(1e-3, 1e-6, 10**6) / (
        2e-3 / 5900 + 10e-9 + rng.normal(0, 0.5e-9, 10**6) - zero
    )  # fmt: skip
    assert found.velocity_u == pytest.approx(v.std(), rel=5e-3)
    assert found.correlation == pytest.approx(np.corrcoef(v, zero)[0, 1], abs=2e-3)


def test_ends_beat_the_middle_where_both_are_wrong_and_mode_3_wants_the_velocity_alone():
    """Common practice, no source: with v and t0 both off (mode 2) two samples at the ends leave a
    smaller error over the range than one in the middle; in mode 3 the velocity alone does."""
    truth, zero = 5750.0, 12e-9
    walls = np.linspace(0.3e-3, 4e-3, 50)
    read = 2 * walls / truth + zero
    ends = calibrate([block(0.3, truth, zero), block(4.0, truth, zero)], STEEL, 2)
    middle = calibrate([block(2.15, truth, zero)], STEEL, 2)
    errors = [
        np.sqrt(np.mean((c.velocity * (read - c.zero_offset) / 2 - walls) ** 2))
        for c in (ends, middle)
    ]
    assert errors[0] < 0.01 * errors[1]
    noisy = [block(d, truth, off=o) for d, o in ((0.3, 1e-9), (2.0, -1e-9), (4.0, 1e-9))]
    alone, both = velocity_from(noisy), least_squares(noisy)
    spread = [max(c.thickness_u_m(d) for d in walls) for c in (alone, both)]
    assert spread[0] < spread[1]
    assert calibrate(noisy, STEEL, 3).kind == "velocity"


def test_pieces_of_their_own_velocity_are_no_lack_of_fit():
    """20 pieces with 0.5 % spread of velocity: the mean's u is 0.5 % / sqrt(20), and it fits."""
    spread = STEEL.model_copy(update={"velocity_uncertainty": 29.5})
    rng = np.random.default_rng(2)
    walls = np.linspace(0.5, 3.5, 20)
    found, exact = [], []
    for _ in range(100):
        blocks = [block(d, 5900 * (1 + rng.normal(0, 0.005)), u_d=0, u_t=0.01e-9) for d in walls]
        found.append(calibrate(blocks, spread, 3))
        exact.append(calibrate(blocks, STEEL, 3))
    assert np.mean([c.fits for c in found]) > 0.85
    assert not any(c.fits for c in exact)
    assert found[0].velocity_u == pytest.approx(29.5 / np.sqrt(20), rel=0.02)


def test_mean_velocity_of_several_is_weighted():
    found = velocity_from([block(4.0, 5900.0), block(0.3, 6300.0)])
    assert found.velocity == pytest.approx(5900, abs=5)
    assert found.p_value < 0.001


def test_a_doubled_thick_sample_is_refused():
    with pytest.raises(Refused, match="another echo"):
        calibrate([block(0.5), block(3.0, off=2 * 3e-3 / 5900)], STEEL, 2)


@pytest.mark.parametrize("ratio", [0.5, 2.0, 0.33, 1.5, 3.05, 0.66])
def test_another_echo_is_recognised(ratio):
    assert wrong_echo(ratio) is not None


@given(st.floats(0.81, 1.19))
def test_a_wrong_velocity_is_not_another_echo(ratio):
    assert wrong_echo(ratio) is None


def readings(walls_mm, read_mm):
    n = len(walls_mm)
    read = pd.DataFrame({"record": range(n), "thickness_mm": read_mm})
    truth = pd.DataFrame({
        "record": range(n), "thickness_mm": walls_mm, "thickness_u_mm": 1e-3,
        "specimen": [f"s{w}" for w in walls_mm],
    })  # fmt: skip
    return read, truth


def test_samples_pool_repeats_and_refuse_with_the_reason():
    read, truth = readings([0.5, 0.5, 0.5, 3.0, 3.0, 9.0, 2.0],
                           [0.501, 0.503, 0.502, 6.01, 6.0, 9.0, np.nan])  # fmt: skip
    samples, refused = samples_from(read, truth, STEEL, 3)
    assert [s.name for s in samples] == ["s0.5"]
    assert samples[0].interval_s == pytest.approx(2 * 0.502e-3 / 5900)
    assert samples[0].interval_u_s == pytest.approx(2e-6 / 5900 / np.sqrt(3))
    assert samples[0].thickness_u_m == 1e-6
    reasons = {r.name: r.reason for r in refused}
    assert "near 2 x 3 mm" in reasons["s3.0"]
    assert "outside the set-up's wall range" in reasons["s9.0"]
    assert "no reading" in reasons["s2.0"]


def test_zero_offset_of_the_setup_is_part_of_the_interval():
    offset = STEEL.model_copy(update={"zero_offset": 20e-9})
    read, truth = readings([1.0, 2.0], [1.0, 2.0])
    samples, _ = samples_from(read, truth, offset, 2)
    assert calibrate(samples, offset, 2).zero_offset == pytest.approx(20e-9)


@settings(max_examples=20)
@given(st.floats(-20e-9, 20e-9), st.floats(5300, 6500))
def test_data_round_trip(zero, v):
    found = two_point(block(1.0, v, zero), block(2.5, v, zero))
    again = Calibration.from_data(found.as_data())
    assert again.velocity == found.velocity
    np.testing.assert_array_equal(again.covariance, found.covariance)


def test_no_sample_is_no_calibration():
    with pytest.raises(Refused, match="no reference sample"):
        calibrate([], STEEL, 3)
