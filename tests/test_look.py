"""One look at a record: noise and level against numpy, and the check of whole candidates."""

import numpy as np
import pytest
from echotrial_detectors.look import look
from echotrial_detectors.noise import fixed, noise_sigma, survey


@pytest.mark.parametrize("m", [1024, 700, 65, 20])
def test_sigma_is_that_of_the_survey_and_the_level_the_larger_of_two(m):
    draw = np.random.default_rng(6)
    signal = (draw.standard_normal((40, m)) * draw.uniform(0.1, 1, (40, 1))).astype(np.float32)
    signal[0] = 0.25  # many stretches of one variance
    behind, last = draw.integers(0, m // 2, 40), draw.integers(m // 2, m + 1, 40)
    seen = look(fixed(signal), np.zeros(40, int), last, behind, 2.0, 0.8, 3)
    np.testing.assert_allclose(seen.sigma, noise_sigma(signal), rtol=1e-6)
    loud = [np.abs(s[a:b]).max(initial=0) for s, a, b in zip(signal, behind, last, strict=True)]
    np.testing.assert_allclose(
        seen.level, np.maximum(2.0 * seen.sigma, 0.8 * np.array(loud)), rtol=1e-6
    )
    np.testing.assert_array_equal(seen.loudest, survey(signal).loudest)


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_a_record_with_no_number_in_it_has_no_noise(bad):
    signal = np.zeros((2, 300), np.float32)
    signal[1, 200] = bad
    seen = look(fixed(signal), np.zeros(2, int), np.full(2, 300), np.zeros(2, int), 4.0, 0.1, 3)
    assert seen.sigma[0] == 0
    assert np.isnan(seen.sigma[1])
    assert not seen.level[1] < np.inf
