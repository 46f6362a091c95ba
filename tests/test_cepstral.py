"""The cepstrum against its closed forms, gated and whole; the all-pass trap."""

import numpy as np
import pytest
from echotrial.ascan import Batch, Reason
from echotrial_detectors.cepstral import Cepstral, CepstralSettings, band_of, scale_of
from echotrial_detectors.cepstrum import Band, Scale, gate_records, weighted_cepstrum
from echotrial_detectors.plan import plan

from tests.trains import RATE, M, setup, trains

N, N0, R = 4096, 8, 0.8988  # polystyrene on steel


def real_cepstrum(response: np.ndarray) -> np.ndarray:
    """The detector's own transform with a flat band: then it is the real cepstrum."""
    bins = N // 2 + 1
    weight = np.full(bins, 1 / N, np.float32)
    weight[[0, -1]] /= 2
    nothing = np.zeros(bins, np.float32)
    flat = Band(
        nothing.astype(np.complex64),
        1,
        N,
        nothing,
        weight,
        np.zeros((0, bins), np.float32),
        0.0,
        nothing,
    )
    return weighted_cepstrum(response[None].astype(np.float32), flat)[0].real


def wall(loss: float) -> np.ndarray:
    """(r - gE) / (1 - r gE): r, then -(1 - r^2) g^n r^(n-1) at the n-th spacing."""
    response = np.zeros(N)
    response[0] = R
    n = np.arange(1, N // N0)
    response[n * N0] = -(1 - R**2) * loss**n * R ** (n - 1)
    return response


@pytest.mark.parametrize("a", [0.5, -0.5, 2.0])
def test_an_echo_pair_has_the_published_cepstrum(a):
    """Oppenheim, Schafer, IEEE SP Magazine, September 2004; |a| > 1 acts as 1 / a."""
    response = np.zeros(N)
    response[[0, N0]] = 1, a
    q = a if abs(a) < 1 else 1 / a
    k = np.arange(1, 5)
    np.testing.assert_allclose(
        real_cepstrum(response)[k * N0], (-1.0) ** (k + 1) * q**k / (2 * k), atol=2e-6
    )


def test_the_whole_response_of_a_lossless_wall_is_all_pass_and_holds_no_echo():
    assert np.abs(real_cepstrum(wall(1.0))[1 : N // 2]).max() < 1e-5


@pytest.mark.parametrize(
    ("loss", "height"), [(0.95, -0.046123), (0.85, -0.090863), (0.8, -0.085518)]
)
def test_with_loss_the_whole_response_holds_a_little(loss, height):
    """-(q - r g) / 2 with q = r / g or g / r, whichever is below 1."""
    assert real_cepstrum(wall(loss))[N0] == pytest.approx(height, abs=1e-5)


def test_interface_and_first_back_wall_echo_alone_hold_half_their_ratio():
    gated = wall(1.0)
    gated[N0 + 1 :] = 0
    assert real_cepstrum(gated)[N0] == pytest.approx(-0.10690, abs=1e-5)


@pytest.mark.parametrize("fall", [1.0, 0.999])
def test_multiples_alone_hold_half_the_ratio_of_one_to_the_next(fall):
    fade = (fall ** np.arange(N)).astype(np.float32)
    start = np.array([N0 - 3.0])
    gated = gate_records(wall(0.9)[None].astype(np.float32), start, fade, 1.0, N)[0]
    assert real_cepstrum(gated)[N0] == pytest.approx(0.5 * R * 0.9 * fall**N0, abs=1e-5)


def test_the_detector_reads_multiples_and_keeps_quiet_on_the_all_pass_whole():
    known, walls = setup(), np.linspace(0.3e-3, 1.0e-3, 40)
    batch = trains(known, walls, noise=2e-3)
    found = Cepstral().prepare(known, CepstralSettings())(batch)
    assert np.mean(found.answered) > 0.9
    np.testing.assert_allclose(found.thickness_m[found.answered], walls[found.answered], atol=10e-6)
    assert np.isnan(found.first_echo_s).all()
    whole = Cepstral().prepare(known, CepstralSettings(with_interface=True))(batch)
    assert not whole.answered.any()
    assert set(whole.reason) <= {Reason.LOW_CONFIDENCE, Reason.POOR_FIT, Reason.AMBIGUOUS}


def test_thin_walls_are_read_without_the_bias_of_gate_and_trend(monkeypatch):
    """Of 1.2 to 2.8 periods, whatever the phase of the pulse and where the samples lie."""
    known, walls = setup(), np.linspace(0.17e-3, 0.4e-3, 150)
    batch = trains(known, walls, noise=1e-3)
    right = Cepstral().prepare(known, CepstralSettings())(batch).thickness_m - walls
    monkeypatch.setattr(Scale, "right", lambda _, place: place)
    left = Cepstral().prepare(known, CepstralSettings())(batch).thickness_m - walls
    good = ~np.isnan(right) & ~np.isnan(left) & (np.abs(right) < 20e-6)
    assert good.sum() > 100
    assert np.sqrt(np.mean(right[good] ** 2)) < 0.5 * np.sqrt(np.mean(left[good] ** 2))


def test_places_are_put_right_where_there_is_a_scale_and_nowhere_else():
    scale = Scale(np.array([10.0, 20.0]), np.array([1.0, 3.0]))
    np.testing.assert_allclose(scale.right(np.array([5.0, 10, 15, 20, 25])), [5, 11, 17, 23, 25])
    assert np.isnan(scale.right(np.array([np.nan]))).all()
    for known in (setup(mode=2), setup(delay_line=None, mode=3), setup(interface_echo=None)):
        planned, settings = plan(known, CepstralSettings()), CepstralSettings()
        band = band_of(planned, M, RATE, settings)
        assert scale_of(planned, settings, band, M, RATE).place.size == 0


def test_trends_are_orthonormal_under_the_weight():
    band = band_of(plan(setup(), CepstralSettings()), M, RATE, CepstralSettings())
    np.testing.assert_allclose((band.trend * band.weight) @ band.trend.T, np.eye(3), atol=1e-4)
    assert band.weight.sum() == pytest.approx(1, abs=1e-5)


def test_a_weak_interface_echo_beside_a_strong_back_wall_echo_is_enough():
    """Nearly matched impedances: a ripple of the reflection's height; a dry record has none."""
    known, walls = setup(metal=False, mode=2), np.linspace(0.6e-3, 1.2e-3, 60)
    detect = Cepstral().prepare(known, CepstralSettings())
    found = detect(trains(known, walls, noise=2e-3))
    read = found.answered
    assert read.mean() > 0.5
    np.testing.assert_allclose(found.thickness_m[read], walls[read], rtol=0.02)
    draw = np.random.default_rng(12)
    dry = 2 * known.reference_echo.samples * draw.uniform(0.3, 1, (500, 1))
    batch = Batch.of(dry + 5e-3 * draw.standard_normal((500, M)), RATE, 0.0, known)
    assert not detect(batch).answered.any()
