"""The noise estimate on records whose noise is known."""

from itertools import pairwise

import numpy as np
import pytest
from echotrial_detectors.noise import (
    FALSE_ALARM,
    QUIET_SHARE,
    STRETCH,
    loud_until,
    noise_peak,
    noise_sigma,
    survey,
)

from tests.trains import setup, trains


@pytest.mark.parametrize("m", [1024, 750, 100])
def test_white_noise_is_found_under_hum_offset_and_echoes(m):
    draw = np.random.default_rng(1)
    hum = 0.2 * np.sin(2 * np.pi * np.arange(m) / 20_000) + 0.1
    found = noise_sigma((hum + 0.01 * draw.standard_normal((400, m))).astype(np.float32))
    assert np.median(found) == pytest.approx(0.01, rel=0.15)
    echoes = trains(setup(), np.full(50, 0.4e-3), noise=0.02, loss=0.8).samples
    assert np.median(noise_sigma(echoes)) == pytest.approx(0.01, rel=0.15)


def test_it_is_the_slow_twins():
    samples = np.random.default_rng(2).standard_normal((6, 700)).astype(np.float32)
    edges = [*range(0, 700 - STRETCH + 1, STRETCH)]
    for row, found in zip(samples, noise_sigma(samples), strict=True):
        parts = [row[a : a + STRETCH] for a in edges[:-1]] + [row[edges[-1] :]]
        spreads = sorted(float(np.std(p.astype(float))) for p in parts)
        assert found == pytest.approx(spreads[int(QUIET_SHARE * (len(parts) - 1))], rel=1e-4)


@pytest.mark.parametrize("m", [1024, 700, 65, 20, 1])
def test_the_loudest_of_each_stretch_is_the_slow_twins(m):
    samples = np.random.default_rng(3).standard_normal((5, m)).astype(np.float32)
    seen = survey(samples)
    for row, found in zip(samples, seen.loudest, strict=True):
        count = found.size
        edges = [*range(0, count * seen.length, seen.length), m]
        want = [np.abs(row[a:b]).max() for a, b in pairwise(edges)]
        np.testing.assert_array_equal(found, np.array(want, np.float32))


def test_from_where_on_a_record_is_quiet():
    samples = np.zeros((3, 1000), np.float32)
    samples[0, 200], samples[1, 990] = 0.5, 0.5
    seen = survey(samples)
    found = [loud_until(row, seen.length, 0.4) for row in seen.loudest]
    assert found[0] == 256  # the end of the fourth stretch
    assert found[1] >= 1000
    assert found[2] == 0


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("where", [0, 500, 1023])
def test_a_sample_that_is_no_number_shows(bad, where):
    samples = np.zeros((2, 1024), np.float32)
    samples[1, where] = bad
    np.testing.assert_array_equal(np.isnan(noise_sigma(samples)), [False, True])


@pytest.mark.parametrize("coloured", [False, True])
def test_noise_alone_seldom_exceeds_its_peak(coloured):
    """2,000 records of noise: as often as `FALSE_ALARM` says, and no more than five times that."""
    draw = np.random.default_rng(4)
    noise = draw.standard_normal((2000, 512))
    if coloured:  # as wide as a probe of 5 MHz and 60 % at 50 MHz
        f = np.fft.rfftfreq(512)
        band = np.exp(-0.5 * ((f - 0.1) / (0.06 / np.sqrt(8 * np.log(2)))) ** 2)
        noise = np.fft.irfft(np.fft.rfft(noise) * band, 512)
    seen = survey(noise.astype(np.float32))
    above = seen.loudest.max(axis=1) > noise_peak(512, 8, 0.06) * seen.sigma
    assert above.mean() <= 5 * FALSE_ALARM
    # four sigma are far too few where one peak is a reading
    assert (seen.loudest.max(axis=1) > 4 * seen.sigma).mean() > 0.05
