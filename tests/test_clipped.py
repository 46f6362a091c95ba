"""Clipped records: the samples above full scale carry no weight in the model fit."""

import numpy as np
from echotrial.ascan import Batch
from echotrial_detectors.fit.clipped import (
    _multiples,
    clipped_samples,
    outside_band,
    put_back,
    tiles,
)
from echotrial_detectors.fit.newton import SIDE, WALL, accumulate, room
from echotrial_detectors.fit.spectra import gate_of

from tests.test_model_fit import read
from tests.test_model_fit_parts import problem, products, strips_of, table_of
from tests.timedomain.exam import make_exam
from tests.trains import RATE, setup, trains


def clipped(n: int, seed: int, gain: float) -> tuple[Batch, np.ndarray]:
    """Steel walls of the lattice, so loud that the interface echo exceeds full scale."""
    batch, truth = make_exam("metal", n, seed)
    samples = np.clip(gain * batch.samples, -1.0, 1.0 - 2**-11)
    return (
        Batch.of(samples, batch.rate_hz, batch.start_s, batch.setup),
        truth.thickness_mm.to_numpy(float) * 1e-3,
    )


def test_projected_inner_products_are_those_of_projected_rows():
    """By numpy: Gram matrix less what lies along the free directions (linear algebra)."""
    gate, layers, pulse, theta = problem()
    rng = np.random.default_rng(4)
    free = np.linalg.qr(rng.standard_normal((2 * pulse.size, 3)))[0].T
    y = rng.standard_normal(2 * pulse.size)
    y -= free.T @ (free @ y)
    half = pulse.size
    rows = [v[:half] + 1j * v[half:] for v in (y, *free)]
    plain, onto = products(theta, rows[0])
    along = np.array([products(theta, row)[1] for row in rows[1:]])
    table = table_of(gate, pulse)
    laid = np.concatenate([table.records(row[None]) for row in rows], axis=1)
    *working, inner, _ = room(strips_of(layers).shape[1], table.blocks, 3)
    accumulate(
        theta, laid, 0, table.known, table.blocks, table.damping, table.first, table.step,
        strips_of(layers), layers.couplant_loss, layers.delay_couplant,
        layers.couplant_wall, *working, inner, 0,
    )  # fmt: skip
    want = np.tril(plain - along.T @ along)
    np.testing.assert_allclose(
        np.tril(inner[0, :, :SIDE]), want, rtol=1e-9, atol=1e-9 * np.abs(want).max()
    )
    np.testing.assert_allclose(inner[0, :, SIDE], onto, rtol=1e-9, atol=1e-9 * abs(onto).max())


def test_flat_tops_are_found_and_loud_peaks_are_not():
    known = setup()
    batch = trains(known, np.array([0.3e-3, 0.5e-3, 0.9e-3]), noise=1e-3)
    gate = gate_of(known, RATE, 250e-9, 5e-6)
    first = np.rint((known.interface_echo - batch.start_s) * RATE).astype(int) - gate.before
    loud = batch.samples * (1.3 / np.abs(batch.samples).max(axis=1, keepdims=True))
    samples = np.stack([np.clip(loud[0], -1, 0.998), loud[1], loud[2]])
    rows, at = clipped_samples(Batch.of(samples, RATE, batch.start_s, known), first, gate)
    np.testing.assert_array_equal(rows, [0])
    part = loud[0, first[0] : first[0] + gate.length]
    np.testing.assert_array_equal(at[0], (part >= 0.998) | (part <= -1))


def test_what_was_clipped_is_put_back_by_what_lies_outside_the_band():
    known = setup()
    batch = trains(known, np.array([0.3e-3, 0.5e-3, 0.9e-3]), noise=1e-3)
    gate = gate_of(known, RATE, 250e-9, 5e-6)
    loud = batch.samples * (1.6 / np.abs(batch.samples).max(axis=1, keepdims=True))
    short = Batch.of(np.clip(loud, -1, 0.998), RATE, batch.start_s, known)
    first = np.rint((known.interface_echo - batch.start_s) * RATE).astype(int) - gate.before
    rows, at = clipped_samples(short, first, gate)
    beyond = outside_band(short, rows, first[rows], gate)
    for line, there, begin, row in zip(beyond, at, first, rows, strict=True):
        places = np.flatnonzero(there)
        found = put_back(line[None, places], places[None], np.ones((1, places.size), bool), gate)[0]
        lost = (loud - short.samples)[row, begin + places]
        assert np.abs(lost).max() > 0.5
        assert np.linalg.norm(lost - found) < 0.35 * np.linalg.norm(lost)


def test_half_and_twice_the_best_wall_take_the_place_of_the_worst():
    theta = np.zeros((2, 5, 6))
    theta[..., WALL] = [[1.0, 2.5, 3.0, 4.0, 0.7], [5.0, 6.0, 7.0, 8.0, 0.7]]
    results = np.full((2, 5, 3), np.inf)
    results[0, :, 0] = [-10.0, -50.0, -30.0, -20.0, -90.0]
    chosen = _multiples(theta, results)
    np.testing.assert_array_equal(chosen[0], [True, False, False, True, False])
    np.testing.assert_allclose(theta[0, :, WALL], [1.25, 2.5, 3.0, 5.0, 0.7])
    assert not chosen[1].any()  # where nothing was fitted there is nothing to double


def test_tiles_hold_every_row_once():
    count = np.random.default_rng(6).integers(2, 33, 300)
    at = np.arange(40) < count[:, None]
    found = np.concatenate(list(tiles(at)))
    np.testing.assert_array_equal(np.sort(found), np.arange(300))


def test_steel_walls_are_read_behind_a_clipped_interface_echo():
    batch, wall = clipped(80, 81, 2.5)
    found = read(batch)
    high = batch.setup.wall_range[1]
    inside = (wall >= 0.45 * batch.setup.wavelength_m) & (wall <= high)
    over = np.abs(found.thickness_m - wall) / batch.setup.tolerance.of(wall)
    assert (over[inside] <= 1).mean() >= 0.8
    assert not (over > 2).any()
    assert not found.answered[np.isnan(wall)].any()


def test_clipped_readings_hang_on_no_batch_size():
    batch, _ = clipped(30, 82, 2.0)
    whole = read(batch).thickness_m
    parts = [read(batch.take(slice(i, i + 7))).thickness_m for i in range(0, 30, 7)]
    np.testing.assert_array_equal(np.concatenate(parts), whole)


def test_walls_are_read_behind_a_burst_of_interference():
    """A burst as loud as a third of the interface echo, once: what it hits is no evidence."""
    batch, truth = make_exam("metal", 80, 91)
    rng, time = np.random.default_rng(92), np.arange(30) / batch.rate_hz
    samples = batch.samples.copy()
    for row in samples:
        start = int(np.argmax(np.abs(row))) + rng.integers(20, 120)
        burst = np.cos(2 * np.pi * rng.uniform(14e6, 24e6) * time + rng.uniform(0, 6)) * 0.3
        row[start : start + 30] += np.abs(row).max() * burst * np.exp(-time / 60e-9)
    wall = truth.thickness_mm.to_numpy(float) * 1e-3
    found = read(Batch.of(samples, batch.rate_hz, batch.start_s, batch.setup)).thickness_m
    thick = (truth.wall_wavelengths.to_numpy(float) > 0.4) & (wall < batch.setup.wall_range[1])
    over = np.abs(found - wall)[thick] / batch.setup.tolerance.of(wall[thick])
    assert (over <= 1).mean() >= 0.6
    assert not (over > 2).any()
    assert not np.isfinite(found[truth.kind.to_numpy() != "wall"]).any()
