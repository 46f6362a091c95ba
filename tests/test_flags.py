"""Flags found a word at a time, against the slow way."""

import numpy as np
from echotrial_detectors.flags import WORD, flagged, room, samples_after, samples_before
from hypothesis import example, given, settings
from hypothesis import strategies as st

M = 300
PLACES = st.sets(st.integers(0, M - 1), max_size=40).map(sorted)


@settings(deadline=None)  # a first call compiles
@given(PLACES, st.integers(0, M))
@example(list(range(M)), M)
def test_flags_are_found_in_order(marks, count):
    flags, places = room(M)
    flags[:] = 1  # what lies behind the last one does not matter
    flags[:count] = np.isin(np.arange(count), marks)
    want = [k for k in marks if k < count]
    assert flagged(flags, count, places) == len(want)
    np.testing.assert_array_equal(places[: len(want)], want)


@settings(deadline=None)
@given(PLACES, st.integers(0, M - 1), st.integers(1, 200))
@example([0, M - 1], 150, 200)
@example([], 0, 200)
@example([], M - 1, 200)
def test_the_next_flag_and_the_last_one_are_as_far_as_they_are(marks, i, most):
    flags, _ = room(M)
    flags[:] = 0
    flags[WORD + np.array(marks, int)] = 1
    after = min((k - i for k in marks if k >= i), default=M)
    before = min((i - 1 - k for k in marks if k < i), default=M)
    for found, want in (
        (samples_after(flags, i, most), after),
        (samples_before(flags, i, most), before),
    ):
        assert found == want if want <= most else found > most
