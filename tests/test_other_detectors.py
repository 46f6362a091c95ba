"""Autocorrelation, resonance, sparse, onset, tail-subtraction and consensus detectors.

Walls are made by the method of images; what each must find is known in closed form or from a
library that nobody here wrote.
"""

from dataclasses import fields
from functools import partial

import numpy as np
import pytest
import scipy.fft
import scipy.optimize
from echotrial.ascan import Batch, Readings, Reason
from echotrial.errors import NotApplicable
from echotrial_detectors.autocorrelation import (
    Autocorrelation,
    autocorrelations,
    beyond_own,
    faded,
    lag_peaks,
)
from echotrial_detectors.cepstral import Cepstral
from echotrial_detectors.consensus import Consensus, Voice, _detect, agree, probability
from echotrial_detectors.correlation import Correlation
from echotrial_detectors.envelope import Envelope
from echotrial_detectors.model_fit import ModelFit
from echotrial_detectors.onset import Onset, aic_onset
from echotrial_detectors.plan import EchoSettings, plan
from echotrial_detectors.sparse import Sparse, matched_pulse, pursue, value_at
from echotrial_detectors.spectral_notch import SpectralNotch, resonances
from echotrial_detectors.tail_subtraction import TailSubtraction, subtracted
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.trains import INTERFACE, RATE, M, pulse, setup, trains

EVERY = (Autocorrelation, SpectralNotch, Sparse, Onset, TailSubtraction, Consensus)


def read(detector: type, batch: Batch, **changes: object) -> Readings:
    return detector().prepare(batch.setup, detector.Settings(**changes))(batch)


@pytest.mark.parametrize(
    ("detector", "atol"),
    [(Autocorrelation, 5e-6), (SpectralNotch, 5e-6), (Sparse, 3e-6), (TailSubtraction, 3e-6)],
)
def test_metal_walls_of_some_wavelengths_are_read(detector, atol):
    walls = np.linspace(0.5e-3, 1.3e-3, 24)
    found = read(detector, trains(setup(), walls, loss=0.9, noise=1e-3))
    assert found.answered.mean() > 0.9
    assert np.nanmax(np.abs(found.thickness_m - walls)) < atol


def test_the_onset_detector_reads_echoes_that_stand_apart():
    walls = np.linspace(0.8e-3, 1.3e-3, 24)
    known = setup(metal=False, mode=2)
    found = read(Onset, trains(known, walls, noise=5e-4))
    assert found.answered.mean() > 0.5
    assert np.nanmax(np.abs(found.thickness_m - walls)) < 3e-6  # a sample is 13 um


@pytest.mark.parametrize("detector", EVERY)
@pytest.mark.parametrize("value", [0.0, 0.4, np.nan, np.inf])
def test_constants_and_bad_samples_are_silent(detector, value):
    with np.errstate(invalid="ignore"):  # infinite samples turn to NaN in a transform
        found = read(detector, Batch.of(np.full((2, M), value), RATE, 0.0, setup()))
    assert not found.answered.any()


@pytest.mark.parametrize("detector", EVERY)
def test_noise_and_dry_records_are_silent(detector):
    rng = np.random.default_rng(3)
    noise = read(detector, Batch.of(0.05 * rng.standard_normal((200, M)), RATE, 0.0, setup()))
    assert noise.answered.mean() <= 0.01
    dry = setup().reference_echo.samples + 2e-3 * rng.standard_normal((200, M))
    assert not read(detector, Batch.of(dry, RATE, 0.0, setup())).answered.any()


@pytest.mark.parametrize("detector", EVERY)
@settings(deadline=None, max_examples=5)
@given(gain=st.floats(0.1, 1.5))
def test_gain_changes_nothing(detector, gain):
    batch = trains(setup(), np.array([0.6e-3, 1.1e-3]), noise=1e-3, loss=0.9)
    louder = Batch.of(gain * batch.samples, RATE, 0.0, batch.setup)
    np.testing.assert_allclose(
        read(detector, louder).thickness_m, read(detector, batch).thickness_m, atol=60e-9
    )


# -- autocorrelation ------------------------------------------------------------------------------


def test_a_series_has_its_ratio_at_its_spacing():
    """Sum over n of q^n at n T: normalised autocorrelation q^k at k T (geometric series)."""
    line, q = np.zeros(4096), 0.7
    line[100::50] = q ** np.arange(line[100::50].size)
    lags = scipy.fft.irfft(np.abs(scipy.fft.rfft(line, 8192)) ** 2)[None].astype(np.float32)
    place, height, rival = lag_peaks(lags, lags[:, 0].copy(), 20.0, 300.0, 1, 5.0)
    assert place[0] == pytest.approx(50, abs=0.01)
    assert height[0] == pytest.approx(q, rel=1e-4)
    assert rival[0] == pytest.approx(0, abs=1e-4)


def test_fading_agrees_with_its_twin():
    signal = np.random.default_rng(1).standard_normal((3, 50)).astype(np.float32)
    start = np.array([-4.0, 10.3, 60.0])
    want = np.zeros_like(signal)
    for row in range(3):
        for i in range(50):
            first = int(max(0, np.ceil(start[row])))
            if first <= i < 45:
                want[row, i - first] = signal[row, i] * 0.95 ** (i - first)
    np.testing.assert_allclose(faded(signal, start, 45, 0.95, 50, 50), want, rtol=1e-4)
    want[:, 20:] = 0
    np.testing.assert_allclose(faded(signal, start, 45, 0.95, 20, 30), want[:, :30], rtol=1e-4)


def test_autocorrelation_by_transform_is_that_of_numpy():
    lines = np.random.default_rng(2).standard_normal((70, 40)).astype(np.float32)
    found = autocorrelations(np.pad(lines, ((0, 0), (0, 20))), 25)
    for line, lags in zip(lines, found, strict=True):
        np.testing.assert_allclose(lags[:20], np.correlate(line, line, "full")[39:59], atol=2e-4)


def test_echoes_at_twice_a_lag_leave_nothing_at_the_lag_beyond_the_lobes_of_one():
    """By hand: R(L) = (1 + c) own(L) where equal echoes are 2 L apart, c = R(2 L) / R(0).

    To a tenth: echoes that overlap raise R(0) too.
    """
    time, lag = np.arange(2048) - 200.0, 10

    def echo(at):
        return np.exp(-(((time - at) / 6) ** 2)) * np.cos(2 * np.pi * (time - at) / lag)

    own = autocorrelations(np.pad(echo(0)[None], ((0, 0), (0, 2048))).astype(np.float32), 4096)[0]
    own = own / own[0]
    assert abs(own[lag]) > 0.2
    for apart, low, high in ((2 * lag, -0.05, 0.05), (lag, 0.3, 1.0)):
        train = sum(0.9**k * echo(apart * k) for k in range(40))
        lags = autocorrelations(np.pad(train[None], ((0, 0), (0, 2048))).astype(np.float32), 4096)
        left = beyond_own(lags, lags[:, 0], np.array([float(lag)]), own)
        assert low < left[0] < high, apart


# -- resonances -----------------------------------------------------------------------------------


@pytest.mark.parametrize("half", [0.0, 0.5])
def test_resonances_are_put_in_order(half):
    """|1 / (1 - q e^(-j 2 pi f T))| is greatest at f = n / T, with alternating signs at n - 1/2."""
    bins = np.arange(200, 600)
    spacing, q = 61.3, 0.8 * (-1 if half else 1)
    seen = 1 / np.abs(1 - q * np.exp(-2j * np.pi * bins / spacing))
    level = np.ones(bins.size)
    found = resonances(
        seen[None].astype(np.float32), level, np.zeros(1), 2.0, 200, half, 10.0, 200.0
    )
    assert found.spacing[0] == pytest.approx(spacing, rel=2e-4)
    assert found.misfit[0] < 0.01
    assert found.count[0] == np.sum((np.arange(1, 12) - half) * spacing // 1 > 200) - np.sum(
        (np.arange(1, 12) - half) * spacing > 598
    )


def test_nothing_resonates_between_matched_media():
    with pytest.raises(NotApplicable, match="resonance"):
        SpectralNotch().prepare(setup(metal=False, mode=2), SpectralNotch.Settings())


# -- sparse ---------------------------------------------------------------------------------------


def pursued(signal: np.ndarray, known, most: int = 6) -> tuple[np.ndarray, np.ndarray]:
    _, autocorrelation, _ = matched_pulse(known, M, RATE)
    n = len(signal)
    sample, amplitude, count = np.empty((n, 96)), np.empty((n, 96)), np.zeros(n, np.int64)
    pursue(
        signal, np.zeros(n, np.int64), np.full(n, M), np.full(n, 0.02), autocorrelation, 2.5,
        np.empty(M, np.float32), np.empty((most, most)), np.empty((4, most)),
        sample, amplitude, count,
    )  # fmt: skip
    return sample[0, : count[0]], amplitude[0, : count[0]]


@settings(deadline=None, max_examples=25)
@given(st.lists(st.floats(150, 800), min_size=2, max_size=4))
def test_spikes_are_found_with_place_height_and_sign(places):
    places = np.sort(places)
    if np.diff(places).min() < 15:
        return
    known = setup()
    heights = np.array([1.0, -0.6, 0.4, -0.3])[: places.size]
    time = np.arange(M)
    line = sum(
        h * pulse((time - p) / RATE, known.centre_frequency)
        for h, p in zip(heights, places, strict=True)
    )
    matched, _, _ = matched_pulse(known, M, RATE)
    spectrum = scipy.fft.rfft(line).astype(np.complex64)
    unit = np.abs(scipy.fft.rfft(pulse((time - 512) / RATE, known.centre_frequency))).max()
    signal = scipy.fft.irfft(spectrum / unit * matched, n=M)[None].astype(np.float32)
    sample, amplitude = pursued(signal, known)
    strong = np.abs(amplitude) > 0.1
    np.testing.assert_allclose(sample[strong], places, atol=0.1)
    np.testing.assert_allclose(amplitude[strong], heights, atol=0.05)


def around(autocorrelation: np.ndarray, places: np.ndarray) -> np.ndarray:
    """The pulse's autocorrelation about each place, (M, k), 16 values a sample."""
    lags = np.rint((np.arange(M)[:, None] - places) * 16).astype(int) + autocorrelation.size // 2
    inside = (lags >= 0) & (lags < autocorrelation.size)
    return np.where(inside, autocorrelation[np.where(inside, lags, 0)], 0.0)


def test_the_heights_are_the_least_squares_ones():
    """Two overlapping echoes: heights by scipy's least squares on the same two places."""
    known = setup()
    _, autocorrelation, _ = matched_pulse(known, M, RATE)
    basis = around(autocorrelation, np.array([400.0, 407.0]))
    signal = (basis @ [1.0, 0.7])[None].astype(np.float32)
    sample, amplitude = pursued(signal, known, most=2)
    near = around(autocorrelation, sample)
    gram = near.T @ near
    assert (
        np.linalg.norm(near @ amplitude - signal[0])
        <= 1.5 * np.linalg.norm(near @ np.linalg.solve(gram, near.T @ signal[0]) - signal[0]) + 0.05
    )


@settings(deadline=None)
@given(st.floats(30, 60))
def test_values_between_samples_are_those_of_the_wave(place):
    line = np.cos(2 * np.pi * np.arange(100) / 5 + 0.3).astype(np.float32)  # 5 samples a period
    want = np.cos(2 * np.pi * place / 5 + 0.3)
    assert value_at(line[None], 0, place) == pytest.approx(want, abs=0.02)


# -- onset ----------------------------------------------------------------------------------------


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 10_000))
def test_the_onset_is_that_of_obspy(seed):
    """Index i of ``obspy.signal.trigger.aic_simple`` splits after i + 1 samples (Maeda 1985)."""
    trigger = pytest.importorskip("obspy.signal.trigger")
    rng = np.random.default_rng(seed)
    line = 0.05 * rng.standard_normal(120)
    line[70:] += np.sin(np.arange(50) * 0.7)
    criterion = trigger.aic_simple(line)
    want = int(np.argmin(criterion[1:-2])) + 2  # onset = argmin + 1
    found = aic_onset(line, 0, 120)
    assert abs(found - want) <= 0.5
    assert abs(found - 70) < 4


# -- tail subtraction -----------------------------------------------------------------------------


def test_what_is_left_holds_the_wall_and_a_small_mark():
    """A record that is an interface echo alone: everything but the mark goes."""
    known = setup()
    echo = -0.8 * known.reference_echo.samples[None] / 0.5
    batch = Batch.of(echo, RATE, 0.0, known)
    left = subtracted(batch, plan(known, EchoSettings()), lead=0.3).samples[0]
    assert np.abs(left).max() == pytest.approx(0.3 * np.abs(echo).max(), rel=0.15)
    assert abs(int(np.argmax(np.abs(left))) - int(INTERFACE * RATE)) <= 3
    far = np.abs(np.arange(M) - INTERFACE * RATE) > 40
    assert np.abs(left[far]).max() < 5e-3


def test_it_needs_a_tail_to_subtract():
    for missing in ({"reference_echo": None}, {"interface_echo": None}):
        with pytest.raises(NotApplicable):
            TailSubtraction().prepare(setup(**missing), TailSubtraction.Settings())


# -- consensus ------------------------------------------------------------------------------------

NAN = np.nan


def test_agreement_by_hand():
    wall = np.array([[1.0, 1.0, NAN, NAN], [1.001, 2.0, 1.0, NAN], [NAN, 2.001, NAN, NAN]]) * 1e-3
    chance = np.array([[0.9, 0.8, 0, 0], [0.5, 0.7, 0.6, 0], [0, 0.6, 0, 0]])
    joint, against, support, lead = agree(wall, chance, np.full_like(wall, 5e-6), np.arange(3))
    np.testing.assert_allclose(joint, [1 - 0.1 * 0.5, 1 - 0.3 * 0.4, 0.6, 0.0])
    np.testing.assert_allclose(against, [0.0, 0.8, 0.0, 0.0])
    np.testing.assert_array_equal(support[:3], [2, 2, 1])
    np.testing.assert_array_equal(lead[:3], [0, 1, 1])


def test_members_of_one_kind_are_one_voice():
    wall = np.array([[1.0], [1.001], [1.002], [2.0], [2.001]]) * 1e-3
    chance = np.array([[0.5], [0.4], [0.3], [0.2], [0.1]])
    kind = np.array([0, 0, 1, 1, 1])
    joint, against, support, lead = agree(wall, chance, np.full_like(wall, 5e-6), kind)
    assert joint[0] == pytest.approx(1 - 0.5 * 0.7)
    assert against[0] == pytest.approx(0.2)
    assert (support[0], lead[0]) == (2, 0)


def test_a_map_replaces_the_raw_confidence():
    found = Readings(np.array([1e-3, NAN]), confidence=np.array([0.2, NAN]))
    np.testing.assert_allclose(probability(found, None), [0.2, 0.0])
    np.testing.assert_allclose(probability(found, None, full_counts=0.5), [0.1, 0.0])
    np.testing.assert_allclose(probability(found, None, 0.9, 1.0), [0.92, 0.0])
    np.testing.assert_allclose(probability(found, lambda c: 1 - c, 0.1, 0.5), [0.8, 0.0])


@pytest.mark.parametrize(
    ("own", "others", "answered"),
    [(0.4, (), True), (0.4, (0.9,), True), (0.4, (0.9, 0.9), False), (0.9, (0.9, 0.9), True)],
)
def test_the_model_fit_stands_against_one_voice_and_where_it_is_sure_against_two(
    own, others, answered
):
    def voice(wall_m: float, confidence: float) -> Readings:
        return Readings(np.array([wall_m]), confidence=np.array([confidence]))

    members = [("model-fit", 0.6e-3, own)]
    members += [(n, 0.9e-3, c) for n, c in zip(("envelope", "cepstral"), others, strict=False)]
    voices = {
        name: Voice(object, None, partial(lambda w, c, _: voice(w, c), wall, c))
        for name, wall, c in members
    }
    batch = trains(setup(), np.array([0.9e-3]))
    found = _detect(setup(), Consensus.Settings(), voices, {}, batch)
    assert found.answered[0] == answered
    assert not answered or found.thickness_m[0] == 0.6e-3


def test_members_that_disagree_silence_it():
    """Two echo trains in one record: no wall is the wall."""
    one = trains(setup(), np.array([0.9e-3]), noise=1e-3, loss=0.9)
    other = trains(setup(), np.array([0.61e-3]), loss=0.9)
    mixed = Batch.of(0.5 * (one.samples + other.samples), RATE, 0.0, setup())
    assert not read(Consensus, mixed).answered[0]


def test_maps_of_no_trust_silence_it():
    batch = trains(setup(), np.array([0.9e-3]), noise=1e-3, loss=0.9)
    members = ("model-fit", "correlation", "envelope", "cepstral", "autocorrelation")
    sure = Consensus().prepare(setup(), Consensus.Settings())(batch)
    assert sure.thickness_m[0] == pytest.approx(0.9e-3, abs=3e-6)
    distrust = {name: (lambda c: 0 * np.asarray(c)) for name in members}
    doubtful = Consensus().prepare(setup(), Consensus.Settings(), maps=distrust)(batch)
    assert doubtful.reason[0] == Reason.LOW_CONFIDENCE


def test_it_takes_what_its_members_have_read_of_the_batch_from_the_host():
    """The same readings as its own members give, and none of these is called."""
    batch = trains(setup(), np.array([0.9e-3, 0.4e-3]), noise=1e-2, loss=0.9)
    consensus = Consensus().prepare(setup(), Consensus.Settings())
    alone = consensus(batch)
    members = (ModelFit, Correlation, Envelope, Cepstral, Autocorrelation)
    for seconds, kind in enumerate(members):
        found = kind().prepare(setup(), kind.Settings())(batch)
        batch.known.add(kind, kind.Settings(), found, 2.0**seconds)
    together = consensus(batch)
    assert batch.known.lent_s == 31.0
    for field in fields(Readings):
        np.testing.assert_array_equal(getattr(together, field.name), getattr(alone, field.name))


def test_it_does_without_the_model_fit():
    panel = Consensus.Settings(panel="without model-fit")
    found = Consensus().prepare(setup(), panel)(trains(setup(), np.array([0.9e-3]), loss=0.9))
    assert found.thickness_m[0] == pytest.approx(0.9e-3, abs=3e-6)


def test_a_thin_wall_s_echoes_fall_no_faster_than_the_impedances_say(monkeypatch):
    """Ringing repeats as evenly as a thin wall, but each swing has less of the one before."""
    known = setup()
    time = np.arange(M) / RATE
    ring = np.zeros((20, M))
    for i, fall in enumerate(np.linspace(0.35, 0.5, 20)):
        for n in range(1, 30):
            ring[i] += 0.2 * fall ** (n - 1) * pulse(time - INTERFACE - 0.2e-6 - n * 70e-9, 20e6)
    wave = 0.5 * (ring - 0.9 * pulse(time - INTERFACE, 20e6))
    ringing = Batch.of(wave, RATE, 0.0, known)
    assert not read(Autocorrelation, ringing, least_height=0.3).answered.any()
    monkeypatch.setattr("echotrial_detectors.autocorrelation.CLOSE_SHARE", 0.0)
    assert read(Autocorrelation, ringing, least_height=0.3).answered.any()
    walls = np.full(5, 0.5 * 70e-9 * known.velocity)
    monkeypatch.undo()
    assert read(Autocorrelation, trains(known, walls, loss=0.95)).answered.all()
