"""Batch and Readings: layout, transforms against scipy, and no way from a batch to the truth."""

import types
from collections import deque
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
import pytest
import scipy.signal
from echotrial.ascan import Batch, Readings, Reason
from echotrial.columns import TRUTH
from echotrial.setup import Setup
from hypothesis import given, settings
from hypothesis import strategies as st

SETUP = Setup(centre_frequency=20e6, velocity=5790.0, wall_range=(0.2e-3, 1e-3), mode=3)


def noise(n: int, m: int, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).normal(size=(n, m)).astype(np.float32)


@given(st.integers(1, 3), st.integers(2, 600), st.integers(0, 99))
@settings(max_examples=50, deadline=None)
def test_the_analytic_signal_is_scipys_of_the_padded_length(n, m, seed):
    batch = Batch.of(noise(n, m, seed), 1e8, 0.0, SETUP)
    expected = scipy.signal.hilbert(batch.samples.astype(float), N=batch.n_fft, axis=1)[:, :m]
    assert batch.analytic.shape == (n, m)
    assert np.allclose(batch.analytic, expected, atol=2e-5)


@pytest.mark.parametrize("m", [1, 2, 3, 4, 97, 125, 128, 512, 1000, 1024])
def test_lengths_odd_even_and_prime(m):
    batch = Batch.of(noise(2, m), 1e8, 0.0, SETUP)
    expected = scipy.signal.hilbert(batch.samples.astype(float), N=batch.n_fft, axis=1)[:, :m]
    assert np.allclose(batch.analytic, expected, atol=2e-5)
    assert np.allclose(batch.analytic.real, batch.samples, atol=1e-5)
    padded = np.fft.rfft(batch.samples.astype(float), n=batch.n_fft, axis=1)
    assert np.allclose(batch.spectrum, padded, atol=1e-3)


def test_transforms_are_made_once_and_cannot_be_written_to():
    batch = Batch.of(noise(2, 64), 1e8, 0.0, SETUP)
    for name in ("spectrum", "analytic"):
        assert getattr(batch, name) is getattr(batch, name)
        with pytest.raises(ValueError, match="read-only"):
            getattr(batch, name)[0, 0] = 0


def test_a_batch_is_read_only_contiguous_float32_and_its_own():
    given_ = noise(3, 32).astype(np.float64)[:, ::2]
    batch = Batch.of(given_, 1e8, [0.0, 1e-8, 2e-8], SETUP)
    assert batch.samples.dtype == np.float32
    assert batch.samples.flags.c_contiguous
    assert not np.shares_memory(batch.samples, given_)
    for column in (batch.samples, batch.start_s):
        with pytest.raises(ValueError, match="read-only"):
            column[0] = 0
    with pytest.raises(AttributeError):
        batch.samples = given_  # type: ignore[misc]


def test_one_record_and_one_start_will_do():
    batch = Batch.of(np.zeros(16), 1e8, 1e-6, SETUP)
    assert batch.samples.shape == (1, 16)
    assert batch.start_s.tolist() == [1e-6]
    assert len(batch) == 1


def test_taking_rows_keeps_each_with_its_start():
    batch = Batch.of(noise(4, 8), 1e8, np.arange(4.0), SETUP)
    taken = batch.take(np.array([2, 0]))
    assert taken.start_s.tolist() == [2.0, 0.0]
    assert np.array_equal(taken.samples, batch.samples[[2, 0]])


def test_starts_that_do_not_fit_the_records_are_refused():
    with pytest.raises(ValueError):
        Batch.of(noise(3, 8), 1e8, [0.0, 1.0], SETUP)


# -- no truth -------------------------------------------------------------------------------------


def reachable(start: Any) -> list[Any]:
    """Every object that attribute access, items or iteration lead to from here."""
    seen: dict[int, Any] = {}
    queue = deque([start])
    while queue:
        thing = queue.popleft()
        if id(thing) in seen or isinstance(thing, type | types.ModuleType | str | int | float):
            continue
        seen[id(thing)] = thing
        queue.extend(_next_to(thing))
    return list(seen.values())


def _next_to(thing: Any) -> list[Any]:
    if isinstance(thing, np.ndarray):
        return [] if thing.base is None else [thing.base]
    found = list(getattr(thing, "__dict__", {}).values())
    found += [getattr(thing, s) for s in getattr(type(thing), "__slots__", ()) if hasattr(thing, s)]
    if isinstance(thing, Mapping):
        found += [*thing.keys(), *thing.values()]
    elif isinstance(thing, list | tuple | set | frozenset):
        found += list(thing)
    if callable(thing):
        found += [cell.cell_contents for cell in getattr(thing, "__closure__", None) or ()]
    return found


def truth_in(start: Any) -> list[str]:
    """What of a truth table can be reached: tables, columns by name, paths to files."""
    found = []
    words = set(TRUTH) - {"record", "split"}
    for thing in reachable(start):
        if isinstance(thing, pd.DataFrame | pd.Series):
            found.append("a table")
        if isinstance(thing, Mapping):
            found += [str(key) for key in thing if key in words]
        found += [name for name in getattr(thing, "__dict__", {}) if name in words]
        if hasattr(thing, "__fspath__"):
            found.append(f"a path {thing}")
    return found


def test_no_truth_can_be_reached_from_a_batch():
    batch = Batch.of(noise(2, 16), 1e8, 0.0, SETUP)
    _ = batch.analytic
    assert len(reachable(batch)) > 5
    assert truth_in(batch) == []


def test_the_search_for_truth_would_find_it():
    batch = Batch.of(noise(2, 16), 1e8, 0.0, SETUP)
    batch.__dict__["hidden"] = {"thickness_mm": [0.5]}
    assert truth_in(batch) == ["thickness_mm"]
    table = pd.DataFrame({"x": [1]})
    batch.__dict__["hidden"] = lambda: table
    assert "a table" in truth_in(batch)


def test_nothing_a_detector_is_given_has_a_field_of_the_truth():
    given_ = {*Setup.model_fields, *vars(Batch), *Batch.__dataclass_fields__}
    assert not given_ & (set(TRUTH) - {"record", "split"})


# -- readings -------------------------------------------------------------------------------------


def test_readings_fill_in_what_was_not_said():
    readings = Readings(np.array([1e-3, np.nan]))
    assert len(readings) == 2
    assert readings.answered.tolist() == [True, False]
    assert readings.reason.tolist() == [Reason.READ, Reason.UNSTATED]
    assert readings.reason.dtype == np.int8
    for name in ("first_echo_s", "second_echo_s", "spans", "gate_start_s", "confidence"):
        assert np.isnan(getattr(readings, name)).all()
        assert getattr(readings, name).shape == (2,)


def test_silent_readings_carry_their_reason():
    readings = Readings.silent(3, Reason.NO_ECHO)
    assert not readings.answered.any()
    assert {Reason(r).words for r in readings.reason} == {"no echo"}


def test_no_readings_at_all_are_no_readings():
    assert len(Readings.silent(0)) == 0
    assert Readings(np.empty(0)).answered.shape == (0,)


@pytest.mark.parametrize("size", [1, 3, 64])
def test_portions_of_the_spectrum_are_the_spectrum_and_are_kept(size):
    samples = noise(7, 100)
    whole = Batch.of(samples, 1e8, 0.0, SETUP).spectrum
    batch = Batch.of(samples, 1e8, 0.0, SETUP)
    kept: list[np.ndarray] = []
    for _ in range(2):
        portions = list(batch.spectra(size))
        assert np.array_equal(np.concatenate([part for _, part in portions]), whole)
        assert all(np.array_equal(whole[rows], part) for rows, part in portions)
        assert not any(part.flags.writeable for _, part in portions)
        assert all(part is before for (_, part), before in zip(portions, kept, strict=False))
        kept = [part for _, part in portions]
    assert np.array_equal(batch.spectrum, whole)
    assert np.array_equal(np.concatenate([part for _, part in batch.spectra(size)]), whole)


def test_portions_of_another_size_are_the_same_spectrum():
    batch = Batch.of(noise(7, 100), 1e8, 0.0, SETUP)
    whole = Batch.of(noise(7, 100), 1e8, 0.0, SETUP).spectrum
    for size in (3, 2, 7, 3):
        assert np.array_equal(np.concatenate([part for _, part in batch.spectra(size)]), whole)
    assert np.array_equal(batch.spectrum, whole)
    assert not batch.spectrum.flags.writeable


def test_portions_that_nobody_finished_leave_no_half_of_a_spectrum():
    batch = Batch.of(noise(7, 100), 1e8, 0.0, SETUP)
    next(batch.spectra(2))
    assert np.array_equal(batch.spectrum, Batch.of(noise(7, 100), 1e8, 0.0, SETUP).spectrum)


def test_the_whole_spectrum_asked_for_in_the_middle_of_its_portions_does_no_harm():
    batch = Batch.of(noise(7, 100), 1e8, 0.0, SETUP)
    whole = Batch.of(noise(7, 100), 1e8, 0.0, SETUP).spectrum
    portions = []
    for _, part in batch.spectra(2):
        portions.append(part)
        assert np.array_equal(batch.spectrum, whole)
    assert np.array_equal(np.concatenate(portions), whole)
    assert np.array_equal(np.concatenate([part for _, part in batch.spectra(2)]), whole)
