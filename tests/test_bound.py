"""The Cramer-Rao bound against closed forms and against an efficient estimator's scatter."""

from collections.abc import Callable

import numpy as np
import pytest
from echotrial import host
from echotrial_corpora.bound import (
    bound_m,
    bound_of,
    information,
    noise_power,
    noise_spectrum,
    priors,
    record_slopes,
    sampled_bound_m,
)
from echotrial_corpora.chain import chain_of
from echotrial_corpora.draw import DRY, nominal
from echotrial_corpora.recorded import encoded
from echotrial_corpora.spec import CorpusSpec
from echotrial_corpora.synthesis import respond
from numpy.typing import NDArray
from scipy.linalg import toeplitz

from tests.timedomain.exam import make_exam

Array = NDArray[np.float64]
Spectra = NDArray[np.complex128]

RATE, SAMPLES = 400e6, 512
F0, BANDWIDTH = 15e6, 0.6
SIGMA_F = BANDWIDTH * F0 / (2 * np.sqrt(2 * np.log(2)))
TIME = (np.arange(SAMPLES) - SAMPLES // 2) / RATE
FREQUENCY = np.fft.rfftfreq(SAMPLES, 1 / RATE)


def gabor(t: Array) -> Array:
    return np.exp(-0.5 * (2 * np.pi * SIGMA_F * t) ** 2) * np.cos(2 * np.pi * F0 * t)


def echo(delays: Array) -> Array:
    """Spectra of one echo at each delay, (n, bins)."""
    return np.fft.rfft(gabor(TIME)) * np.exp(-2j * np.pi * FREQUENCY * delays)


def slopes_of(spectrum: Callable[[Array], Spectra], at: Array, steps: list[float]) -> Spectra:
    """Central differences of a test's own spectrum, (1, p, bins)."""
    by = [np.diag(steps)[j] for j in range(len(steps))]
    found = [(spectrum(at + d) - spectrum(at - d))[0] / (2 * d.sum()) for d in by]
    return np.stack(found)[None]


def bound_in_white_noise(slopes: Spectra, ratio: float, priors: Array) -> float:
    """Bound at an energy ratio E/N0 = sum s^2 / (2 sigma^2) of one echo of height 1."""
    rms = np.sqrt(np.sum(gabor(TIME) ** 2) / (2 * ratio))
    known = information(slopes, noise_power(SAMPLES, np.array([rms])), SAMPLES)
    return float(bound_of(known, priors)[0])


def delay_bound(ratio: float) -> float:
    slopes = slopes_of(echo, np.zeros((1, 1)), [1e-12])
    return bound_in_white_noise(slopes, ratio, np.array([np.inf]))


@pytest.mark.parametrize(("ratio_db", "nanoseconds"), [(10, 2.335), (16, 1.170), (30, 0.2335)])
def test_isolated_echo_has_the_closed_form(ratio_db: float, nanoseconds: float) -> None:
    # var = 1/((2E/N0) F^2), F^2 = (2 pi f0)^2 + (2 pi sigma_f)^2 / 2: Quazi, IEEE ASSP-29 (1981)
    # 527 (quoted; the paper itself was not opened). F/2pi = 15.2415 MHz at 15 MHz, 60 %.
    ratio = 10 ** (ratio_db / 10)
    closed = 1 / np.sqrt(2 * ratio) / (2 * np.pi * 15.2415e6)
    assert delay_bound(ratio) == pytest.approx(closed, rel=1e-5)
    assert delay_bound(ratio) == pytest.approx(1e-9 * nanoseconds, rel=5e-4)


def test_unknown_amplitude_and_phase_leave_only_the_envelope() -> None:
    # With the carrier's phase unknown the bound is 1/((2E/N0)(2 pi sigma_f)^2 / 2): only the
    # spread of the spectrum about its centre tells of the delay (Kay 1993, from memory).
    def spectrum(at: Array) -> Spectra:
        return at[:, 1:2] * np.exp(1j * at[:, 2:3]) * echo(at[:, :1])

    ratio = 50.0
    slopes = slopes_of(spectrum, np.array([[0.0, 1.0, 0.0]]), [1e-12, 1e-5, 1e-5])
    found = bound_in_white_noise(slopes, ratio, np.full(3, np.inf))
    closed = 1 / np.sqrt(2 * ratio * (2 * np.pi * SIGMA_F) ** 2 / 2)
    assert found == pytest.approx(closed, rel=1e-4)
    assert found > 4 * delay_bound(ratio)
    told = bound_in_white_noise(slopes, ratio, np.array([np.inf, 1e-9, 1e-9]))
    assert told == pytest.approx(delay_bound(ratio), rel=1e-6)


def test_difference_of_two_equal_far_echoes_is_root_two_worse() -> None:
    # 0.7384 ns at E/N0 = 20 dB is 2.18 um of steel; sqrt 2 times that for a difference (derived).
    def spectrum(at: Array) -> Spectra:
        interval, arrival = at[:, :1], at[:, 1:]
        return echo(arrival) + echo(arrival + interval)

    slopes = slopes_of(spectrum, np.array([[400e-9, -0.3e-6]]), [1e-12, 1e-12])
    found = bound_in_white_noise(slopes, 100.0, np.full(2, np.inf))
    assert found == pytest.approx(np.sqrt(2) * 0.7384e-9, rel=1e-3)
    assert 5900 / 2 * found == pytest.approx(np.sqrt(2) * 2.18e-6, rel=2e-3)


def test_whittle_information_is_the_sum_over_samples_in_white_noise() -> None:
    # The slow twin: J_ij = sum_t s_i s_j / sigma^2, for odd and even lengths.
    draw = np.random.default_rng(8)
    for m in (64, 65):
        slopes = draw.standard_normal((3, 2, m))
        known = information(np.fft.rfft(slopes), noise_power(m, np.full(3, 0.2)), m)
        np.testing.assert_allclose(known, slopes @ slopes.transpose(0, 2, 1) / 0.04, rtol=1e-12)


def test_noise_power_keeps_the_stated_rms_and_adds_rounding() -> None:
    draw = np.random.default_rng(9)
    m, shape = 256, 0.1 + np.linspace(0, 1, 129)
    power = noise_power(m, np.array([0.3]), shape, quantum=0.5)
    white = np.fft.rfft(draw.standard_normal((4000, m)))
    noise = np.fft.irfft(white * np.sqrt(power[0] / m), m)
    assert noise.std() == pytest.approx(np.sqrt(0.3**2 + 0.5**2 / 12), rel=2e-3)
    # Rounding noise itself, simulated: Delta^2 / 12.
    signal = 30 * draw.standard_normal(200_000)
    rounded = 0.5 * np.round(signal / 0.5)
    assert (rounded - signal).std() == pytest.approx(0.5 / np.sqrt(12), rel=5e-3)


def test_what_the_record_does_not_tell_has_no_bound() -> None:
    known = np.array([[[1.0, 1.0], [1.0, 1.0]], [[0.0, 0.0], [0.0, 1.0]], [[4.0, 0.0], [0.0, 0.0]]])
    found = bound_of(known, np.full(2, np.inf))
    np.testing.assert_array_equal(np.isnan(found), [True, True, False])
    assert found[2] == 0.5


# -- the bound of a record, against the scatter of an efficient estimator --------------------------

#: Steps of the estimator's own differences: thickness, arrival, log amplitude, gap, spread, log
#: attenuation.
STEPS = np.array([2e-9, 1e-12, 1e-5, 2e-9, 2e-9, 1e-3])


#: Invented: a lopsided pulse of 20 MHz, in place of a recorded one.
PULSE = np.exp(-0.5 * ((np.arange(60) - 20) / 6) ** 2) * np.cos(0.94 * np.arange(60))


def spec_of(scenario: str, bits: int) -> CorpusSpec:
    """Scenarios: steel and nylon under a delay line, steel by a recorded pulse, plate in mode 1."""
    if scenario == "plate":
        return plate(bits)
    steel = scenario != "nylon"
    table = {
        "name": "bound",
        "about": "invented, for the bound",
        "probe": {
            "centre_frequency": "20 MHz" if steel else "10 MHz",
            "bandwidth": "12 MHz" if steel else "6 MHz",
            "phase": "40 deg",
            "ring": {"frequency": "9 MHz", "level": "-30 dB", "decay": "0.15 us"},
            "element_diameter": "3 mm",
        },
        "delay_line": {"material": "polystyrene" if steel else "fused silica", "length": "8 mm"},
        "couplant": {"material": "glycerin", "gap": "4 um", "tip_radius": "2.6 mm"},
        "wall": {
            "material": "stainless 316" if steel else "nylon 6-6",
            "thickness": "0.4 mm",
            "outside_diameter": "5 mm",
        },
        "receiver": {"band": ["2 MHz", "45 MHz"], "snr": "40 dB", "bits": bits},
    }
    if scenario == "recorded":
        table["probe"]["echo"] = {"rate": "125 MHz", "samples": encoded(PULSE)}
        del table["probe"]["ring"]
    return CorpusSpec.read(table, scenario)


def plate(bits: int) -> CorpusSpec:
    """Mode 1: a contact probe's clock starts at the transmission pulse, which rings."""
    table = {
        "name": "bound",
        "about": "invented, for the bound",
        "rate": "50 MHz",
        "lead": "0.4 us",
        "probe": {
            "centre_frequency": "5 MHz",
            "bandwidth": "3 MHz",
            "decay": "40 ns",
            "element_diameter": "10 mm",
        },
        "face": {"material": "alumina", "delay": "0.35 us"},
        "couplant": {"material": "glycerin", "gap": "6 um", "strips": 3},
        "wall": {"material": "carbon steel", "thickness": "5 mm"},
        "excitation": {
            "level": "0 dB",
            "frequency": "5 MHz",
            "decay": "0.15 us",
            "recovery_level": "-20 dB",
            "recovery_decay": "1 us",
        },
        "receiver": {"band": ["1 MHz", "12 MHz"], "snr": "40 dB", "bits": bits},
        "operator": {"mode": 1},
    }
    return CorpusSpec.read(table, "plate")


def moved(spec: CorpusSpec, params: np.ndarray, by: Array) -> Array:
    """Noise-free records with the six unknowns moved `by` (n, 6), (n, m).

    What the transmission pulse leaves (mode 1) stays: it tells nothing of the coupling.
    """
    silent = params.copy()
    silent["excitation"] = silent["recovery"] = 0
    pulse = respond(spec, params).clean - respond(spec, silent).clean
    found = np.repeat(silent, len(by))
    for name, column in (("thickness", 0), ("late", 1), ("gap", 3)):
        found[name] += by[:, column]
    found["curvature"] += 2 * by[:, 4] / (spec.probe.element_diameter / 2) ** 2
    found["attenuation"] *= np.exp(by[:, 5])
    return pulse + respond(spec, found).clean * np.exp(by[:, 2:3])


def scatter(spec: CorpusSpec, wall_m: float, snr_db: float, trials: int) -> tuple[Array, float]:
    """Errors of maximum likelihood (Gauss-Newton from the truth), and the bound."""
    params, m = nominal(spec, np.array([wall_m])), spec.samples
    gain = 0.8 / np.abs(respond(spec, params).clean).max()
    sigma, quantum = 0.8 * 10 ** (-snr_db / 20), 2.0 ** (1 - spec.receiver.bits)
    bound = bound_m(spec, params, np.array([gain]), np.array([sigma]))[0]
    draw = np.random.default_rng(11)
    shape = chain_of(spec).noise_shape
    deviation = np.sqrt(2 * shape**2 * sigma**2 / m + quantum**2 / 12)

    def whitened(x: Array) -> Array:
        return np.fft.irfft(np.fft.rfft(x) / deviation, m)

    z = draw.standard_normal((2, trials, shape.size))
    noise = sigma * np.fft.irfft((z[0] + 1j * z[1]) * shape, m)
    clean = gain * moved(spec, params, np.zeros((1, 6)))
    data = whitened(quantum * np.round((clean + noise) / quantum))
    prior = priors(chain_of(spec), params)[0]
    weight = np.where(np.isfinite(prior), 1 / prior, 0)
    believed = draw.standard_normal((trials, 6)) * np.where(np.isfinite(prior), prior, 0)
    found = np.zeros((trials, 6))
    for _ in range(2):
        here = whitened(gain * moved(spec, params, found))
        slopes = [
            (whitened(gain * moved(spec, params, found + step)) - here).T for step in np.diag(STEPS)
        ]
        for i in range(trials):
            scaled = np.vstack([np.array(slopes)[:, :, i].T, np.diag(weight * STEPS)])
            rest = np.concatenate([data[i] - here[i], weight * (believed[i] - found[i])])
            found[i] += STEPS * np.linalg.lstsq(scaled, rest, rcond=None)[0]
    return found[:, 0], float(bound)


def agrees(errors: Array, bound: float) -> bool:
    """Whether the scatter is the bound within 3 standard errors of a standard deviation."""
    return bool(abs(errors.std() / bound - 1) < 3 / np.sqrt(2 * errors.size))


def test_maximum_likelihood_reaches_the_bound() -> None:
    errors, bound = scatter(spec_of("steel", 12), 0.4e-3, 40, 120)
    assert agrees(errors, bound)
    assert 0.05e-6 < bound < 0.5e-6


@pytest.mark.slow
@pytest.mark.parametrize(
    ("scenario", "wall_mm", "snr_db", "bits"),
    [
        ("steel", 0.4, 30, 12),
        ("steel", 0.13, 40, 12),
        ("steel", 1.0, 40, 12),
        ("steel", 0.4, 48, 8),  # rounding is a third of the power
        ("nylon", 0.4, 40, 12),
        ("recorded", 0.4, 40, 12),
        ("plate", 5.0, 40, 12),
        ("nylon", 0.12, 55, 14),  # at 45 dB errors are too large to be linear: 1.06 of the bound
    ],
)
def test_maximum_likelihood_reaches_the_bound_everywhere(
    scenario: str, wall_mm: float, snr_db: float, bits: int
) -> None:
    errors, bound = scatter(spec_of(scenario, bits), 1e-3 * wall_mm, snr_db, 300)
    assert agrees(errors, bound)


# -- the bound in the truth ------------------------------------------------------------------------


def prepared(wall_m: list[float], bits: int = 16) -> tuple[CorpusSpec, np.ndarray, Array]:
    spec = spec_of("steel", bits)
    params = nominal(spec, np.array(wall_m))
    return spec, params, 0.8 / np.abs(respond(spec, params).clean).max(axis=1)


def test_slopes_are_those_of_the_record() -> None:
    # The slow twin: central differences of the record itself, in the time domain.
    spec, params, gains = prepared([0.4e-3])
    slopes, _ = record_slopes(chain_of(spec), params, gains)
    fast = np.fft.irfft(slopes[0], spec.samples)
    for j, step in enumerate(np.diag(STEPS)):
        up, down = (gains[0] * moved(spec, params, s * step[None])[0] for s in (1, -1))
        slow = (up - down) / (2 * STEPS[j])
        assert np.linalg.norm(fast[j] - slow) < 2e-3 * np.linalg.norm(slow)


def test_ten_times_less_noise_bounds_ten_times_closer_where_priors_do_not_matter() -> None:
    spec, params, gains = prepared([0.4e-3])
    slopes, _ = record_slopes(chain_of(spec), params, gains)
    free = np.full((1, 6), np.inf)
    loud, soft = (
        bound_of(information(slopes, noise_power(spec.samples, np.array([s])), spec.samples), free)
        for s in (1e-2, 1e-3)
    )
    assert loud[0] / soft[0] == pytest.approx(10, rel=1e-6)
    told = bound_of(
        information(slopes, noise_power(spec.samples, np.array([1e-2])), spec.samples),
        priors(chain_of(spec), params),
    )
    assert told[0] < loud[0]  # what is known beforehand helps


def test_clipped_samples_tell_nothing() -> None:
    # The slow twin: the covariance of the samples that are left, inverted as a matrix.
    spec, params, gains = prepared([0.4e-3])
    chain, m, gains, sigma = chain_of(spec), spec.samples, 4 * gains, np.array([0.04])
    slopes, clipped = record_slopes(chain, params, gains)
    assert 4 < clipped.sum() < 40
    left = ~clipped[0]
    power = noise_power(m, sigma, noise_spectrum(chain), quantum=2.0**-15)[0]
    covariance = toeplitz(np.fft.irfft(power, m) / m)[np.ix_(left, left)]
    seen = np.fft.irfft(slopes[0], m)[:, left]
    known = seen @ np.linalg.solve(covariance, seen.T)
    slow = bound_of(known[None], priors(chain, params))[0]
    assert bound_m(spec, params, gains, sigma)[0] == pytest.approx(slow, rel=1e-6)
    assert slow > 1.02 * bound_m(spec, params, gains / 5, sigma / 5)[0]


def test_dry_records_have_no_bound_and_one_wall_in_eight_has() -> None:
    spec, params, gains = prepared(list(np.linspace(0.2e-3, 0.6e-3, 17)))
    params["kind"][8] = DRY
    found = sampled_bound_m(spec, params, gains, np.full(17, 0.01))
    assert np.flatnonzero(np.isfinite(found)).tolist() == [0, 16]
    alone = bound_m(spec, params[16:], gains[16:], np.array([0.01]))
    assert found[16] == pytest.approx(alone[0], rel=1e-9)


def test_model_bounds_the_walls_of_a_set_up() -> None:
    model = host.load().forward_model
    assert model is not None
    setup = make_exam("metal", 1, 0)[0].setup
    walls = np.array([[0.1e-3, 0.4e-3], [np.nan, -1.0]])
    found = model.bound(setup, walls)
    np.testing.assert_array_equal(np.isnan(found), [[False, False], [True, True]])
    # Order of magnitude only: one echo of full height at 37 dB. E/N0 = 1.845 (peak/sigma)^2 at
    # 15 MHz, 60 % and 100 MS/s (external table), about the same here; weaker echoes tell less,
    # later multiples more.
    ratio = 1.845 * 10 ** (37 / 10)
    alone = 5740 / 2 / np.sqrt(2 * ratio) / (2 * np.pi * 20e6)
    assert (found[0] > alone / 10).all()
    assert (found[0] < 10 * alone).all()


def test_truth_of_a_corpus_has_the_bound_whatever_the_chunks() -> None:
    model = host.load().forward_model
    assert model is not None
    spec = spec_of("steel", 12)
    whole = model.records(spec, "prove", 1, 0, 80).truth["bound_um"].to_numpy()
    part = model.records(spec, "prove", 1, 30, 80).truth["bound_um"].to_numpy()
    np.testing.assert_array_equal(part, whole[30:])
    assert np.isfinite(whole).sum() >= 7
    assert np.isnan(whole[np.arange(80) % 8 != 0]).all()
