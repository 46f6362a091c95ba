"""Exams for detectors, made by the lattice: A-scans by other means than the forward model.

The data are invented (dimensions and materials are plausible, nothing here was measured); their
waves are exact for the thickness that the truth states. Pressure on the receiver is -R times the
reference echo, because the reference is the echo of the bare delay line, where R = -1: so an
interface echo on metal is negative and the first back-wall echo of an air-backed wall is positive;
its multiples have the same sign where Z_delay < Z_wall and alternate where Z_delay > Z_wall.
"""

from collections.abc import Callable
from dataclasses import astuple, dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import tomlkit
from echotrial.ascan import Batch
from echotrial.setup import Medium, Setup, Tolerance, Waveform
from numpy.typing import NDArray
from scipy.signal import hilbert

from tests.timedomain.lattice import (
    Lattice,
    absorption_taps,
    on_lattice,
    respond,
    respond_by_order,
)

Array = NDArray[np.float64]

RATE = 100e6
SAMPLES = 1024
STEP = 0.25e-9  # lattice step: 40 a sample
PER_SAMPLE = round(1 / (RATE * STEP))
FINE = 10  # truth is read off waveforms every 10th step, 400 MS/s
ORDERS = 6  # back-wall echoes in the truth
STRIPS = 7
LEAD = 1e-6  # a record starts this much before the nominal interface echo
DRY, WET_TIP = 0.08, 0.04
WET_FILM = 50e-6  # glycerin on a lifted probe
REFERENCE_SCREEN = 0.8  # peak of the reference echo, share of full scale


@dataclass(frozen=True)
class Stuff:
    """Velocity and density; both from memory, inside the bands that handbooks give."""

    velocity: float
    density: float

    @property
    def impedance(self) -> float:
        return self.velocity * self.density


POLYSTYRENE = Stuff(2350.0, 1050.0)
FUSED_SILICA = Stuff(5960.0, 2200.0)
GLYCERIN = Stuff(1904.0, 1260.0)
STAINLESS_316 = Stuff(5740.0, 8000.0)
NYLON_66 = Stuff(2620.0, 1140.0)


@dataclass(frozen=True)
class Ring:
    """What a record's ring-down is drawn from; the reference echo has one of its own."""

    frequency: tuple[float, float] = (0.7, 1.15)  # over the centre frequency
    level: tuple[float, float] = (0.06, 0.25)
    decay: tuple[float, float] = (2.0, 6.0)  # periods


@dataclass(frozen=True)
class Kind:
    """What an exam draws from: probe, media, ranges."""

    frequency: float
    delay: Stuff
    delay_length: float
    wall: Stuff
    outside_diameter: float
    gap_m: tuple[float, float]  # of the mean over the aperture
    snr_db: tuple[float, float]
    loss: float  # Np/m in the wall at the centre frequency
    wavelengths: tuple[float, float] = (0.12, 5.0)
    stated_wavelengths: tuple[float, float] = (0.14, 4.8)  # the set-up's wall range
    ring: "Ring | None" = None  # where the ring-down differs from record to record


KINDS = {
    "metal": Kind(20e6, POLYSTYRENE, 6e-3, STAINLESS_316, 5e-3, (1e-6, 15e-6), (28, 46), 6.0),
    "metal-ringing": Kind(
        20e6, POLYSTYRENE, 6e-3, STAINLESS_316, 5e-3, (1e-6, 15e-6), (34, 50), 6.0, ring=Ring()
    ),
    "nylon-matched": Kind(10e6, POLYSTYRENE, 6e-3, NYLON_66, 6e-3, (1e-6, 30e-6), (34, 50), 75.0),
    "nylon-mismatched": Kind(
        10e6, FUSED_SILICA, 14e-3, NYLON_66, 6e-3, (1e-6, 30e-6), (34, 50), 75.0
    ),
}


def pulse(
    frequency: float, bandwidth: float, ring: tuple[float, float, float] = (0.85, 0.08, 3.0)
) -> Callable[[Array], Array]:
    """An asymmetric two-way pulse with ring-down, peak about 1, zero before time 0.

    t^4 exp(-t/tau): spectrum (1 + (2 pi f tau)^2)^(-5/2) about the carrier, so the -6 dB width
    asked for gives tau. It rings on at 0.85 of its frequency, some 25 dB down, unless `ring` (share
    of the frequency, level, periods of decay) says otherwise.
    """
    tau = np.sqrt(2**0.4 - 1) / (np.pi * bandwidth)
    rise, decay, own = 1.5 * tau, ring[2] / frequency, ring[0] * frequency

    def at(t: Array) -> Array:
        t = np.maximum(t, 0.0)
        body = (t / (4 * tau)) ** 4 * np.exp(4 - t / tau)
        later = (1 - np.exp(-t / rise)) ** 5 * np.exp(-t / decay)
        main = body * np.cos(2 * np.pi * frequency * (t - 4 * tau) + 0.7)
        return np.asarray(main + ring[1] * later * np.cos(2 * np.pi * own * t - 1.0))

    return at


def setup_of(kind: Kind, start_s: float) -> Setup:
    """What the operator knows; the reference echo on the same clock as the records."""
    at = pulse(kind.frequency, 0.6 * kind.frequency)
    arrival = 2 * kind.delay_length / kind.delay.velocity
    reference = REFERENCE_SCREEN * at(start_s + np.arange(512) / RATE - arrival)
    low, high = (w * kind.wall.velocity / kind.frequency for w in kind.stated_wavelengths)
    return Setup(
        centre_frequency=kind.frequency,
        bandwidth=0.6 * kind.frequency,
        velocity=kind.wall.velocity,
        velocity_uncertainty=0.002 * kind.wall.velocity,
        interface_echo=start_s + envelope_peak(reference, RATE),
        wall_range=(round(low, 6), round(high, 6)),
        tolerance=Tolerance(),
        delay_line=_medium(kind.delay, kind.delay_length),
        couplant=_medium(GLYCERIN),
        wall=_medium(kind.wall),
        outside_diameter=kind.outside_diameter,
        element_diameter=3e-3,
        reference_echo=Waveform(reference.astype(np.float32), RATE, start_s),
    )


def _medium(stuff: Stuff, length: float | None = None) -> Medium:
    return Medium(impedance=stuff.impedance, velocity=stuff.velocity, length=length)


def envelope_peak(wave: Array, rate_hz: float) -> float:
    """Time of the envelope's peak after the first sample, by a parabola through its logarithm."""
    envelope = np.abs(hilbert(wave))
    i = int(np.argmax(envelope[1:-1])) + 1
    a, b, c = np.log(np.maximum(envelope[i - 1 : i + 2], 1e-300))
    return float((i + 0.5 * (a - c) / (a - 2 * b + c)) / rate_hz)


def convex_gaps(mean_m: float, least_m: float) -> Array:
    """Couplant gap strip by strip under a convex tube: least + c y^2, with the mean asked for."""
    y = (np.arange(STRIPS) + 0.5) / STRIPS
    found: Array = least_m + (mean_m - least_m) * y**2 / np.mean(y**2)
    return found


def make_exam(
    kind: str, n: int, seed: int, *, same_start: bool = False
) -> tuple[Batch, pd.DataFrame]:
    """Make n records of a kind in `KINDS` and their truth (columns of ``echotrial.columns``).

    Of every exam 8 % are dry and 4 % wet-tip records; the first half is `prove`, the rest `tune`.
    With `same_start` all records start at one time, else up to 0.1 us apart.
    """
    chosen = KINDS[kind]
    nominal = 2 * chosen.delay_length / chosen.delay.velocity - LEAD
    nominal = round(nominal, 8)
    setup = setup_of(chosen, nominal)
    at = pulse(chosen.frequency, 0.6 * chosen.frequency)
    samples, starts, rows = np.empty((n, SAMPLES)), np.empty(n), []
    for i in range(n):
        draw = np.random.default_rng([seed, i, *kind.encode()])
        starts[i] = nominal if same_start else nominal + 1e-9 * draw.integers(-100, 101)
        samples[i], row = _record(chosen, draw, at, float(starts[i]))
        split = "prove" if i < (n + 1) // 2 else "tune"
        rows.append({"record": i, "split": split, "specimen": f"{kind}-{i}", **row})
    return Batch.of(samples, RATE, starts, setup), pd.DataFrame(rows)


def _record(
    kind: Kind, draw: np.random.Generator, at: Callable[[Array], Array], start_s: float
) -> tuple[Array, dict[str, object]]:
    state = str(draw.choice(["dry", "wet tip", "wall"], p=[DRY, WET_TIP, 1 - DRY - WET_TIP]))
    drift = draw.uniform(-30e-9, 30e-9)  # temperature of the delay line, trigger
    gain = REFERENCE_SCREEN * 10 ** (draw.uniform(-1.5, 1.0) / 20)
    time = start_s + STEP * np.arange(SAMPLES * PER_SAMPLE, dtype=np.float64)
    if kind.ring is not None:
        own = [draw.uniform(*limits) for limits in astuple(kind.ring)]
        at = pulse(kind.frequency, 0.6 * kind.frequency, (own[0], own[1], own[2]))
    source = np.asarray(-gain * at(time - 2 * kind.delay_length / kind.delay.velocity - drift))
    snr_db = draw.uniform(*kind.snr_db)
    wave, row = _STATES[state](kind, draw, source, start_s, snr_db)
    clean = wave[::PER_SAMPLE]
    noise = np.abs(clean).max() * 10 ** (-snr_db / 20)
    return clean + noise * draw.standard_normal(SAMPLES), {"kind": state, "snr_db": snr_db, **row}


_NO_WALL: dict[str, object] = {
    "thickness_mm": np.nan, "thickness_u_mm": np.nan, "interface_us": np.nan,
    "back_wall_us": [], "back_wall_stands": [], "velocity_true_m_s": np.nan,
    "wall_wavelengths": np.nan, "echo_snr_db": np.nan, "tail_end_us": np.nan,
    "tail_to_echo_db": np.nan, "couplant_gap_um": np.nan,
}  # fmt: skip


def _dry(
    kind: Kind, draw: np.random.Generator, source: Array, start_s: float, snr_db: float
) -> tuple[Array, dict[str, object]]:
    peak = start_s + envelope_peak(source[::FINE], 1 / (FINE * STEP))
    return -source, {**_NO_WALL, "interface_us": 1e6 * peak}


def _wet_tip(
    kind: Kind, draw: np.random.Generator, source: Array, start_s: float, snr_db: float
) -> tuple[Array, dict[str, object]]:
    steps, film = on_lattice(WET_FILM * draw.uniform(0.9, 1.1), GLYCERIN.velocity, STEP)
    lattice = Lattice(kind.delay.impedance, 1.0, GLYCERIN.impedance, 0.0, (0,), steps)
    return respond(source, lattice), {**_NO_WALL, "couplant_gap_um": 1e6 * film}


def _on_wall(
    kind: Kind, draw: np.random.Generator, source: Array, start_s: float, snr_db: float
) -> tuple[Array, dict[str, object]]:
    low, high = np.log(kind.wavelengths)
    wanted = np.exp(draw.uniform(low, high)) * kind.wall.velocity / kind.frequency
    steps, thickness = on_lattice(wanted, kind.wall.velocity, STEP)
    mean = draw.uniform(*kind.gap_m)
    couplant = [on_lattice(g, GLYCERIN.velocity, STEP) for g in convex_gaps(mean, 0.3 * mean)]
    taps = absorption_taps(2 * thickness * kind.loss, kind.frequency, STEP)
    lattice = Lattice(
        kind.delay.impedance, GLYCERIN.impedance, kind.wall.impedance, 0.0,
        tuple(s for s, _ in couplant), steps, taps,
    )  # fmt: skip
    wave = respond(source, lattice)
    terms = respond_by_order(source, lattice, ORDERS)[:, ::FINE]
    noise = np.abs(wave[::PER_SAMPLE]).max() * 10 ** (-snr_db / 20)
    row = {
        "thickness_mm": 1e3 * thickness,
        "thickness_u_mm": 0.0,
        "velocity_true_m_s": kind.wall.velocity,
        "wall_wavelengths": thickness * kind.frequency / kind.wall.velocity,
        "couplant_gap_um": 1e6 * float(np.mean([g for _, g in couplant])),
        **_echoes(terms, start_s, noise),
    }
    return wave, row


def _echoes(terms: Array, start_s: float, noise: float) -> dict[str, object]:
    """What the truth says of the tail (row 0 of `terms`) and of each back-wall term alone."""
    rate = 1 / (FINE * STEP)
    envelopes = np.abs(hilbert(terms, axis=1))
    peaks = np.array([envelope_peak(term, rate) for term in terms])
    tail, heights = envelopes[0], envelopes.max(axis=1)
    tail_there = tail[np.rint(peaks[1:] * rate).astype(int)]
    last = np.flatnonzero(tail > max(3 * noise, 0.01 * heights[0]))
    first = np.abs(terms[1]).max()
    return {
        "interface_us": 1e6 * (start_s + peaks[0]),
        "back_wall_us": list(1e6 * (start_s + peaks[1:])),
        "back_wall_stands": [bool(s) for s in heights[1:] > np.maximum(tail_there, 3 * noise)],
        "echo_snr_db": 20 * float(np.log10(first / noise)),
        "tail_end_us": 1e6 * (start_s + last[-1] / rate) if last.size else np.nan,
        "tail_to_echo_db": 20 * float(np.log10(tail_there[0] / heights[1])),
    }


_STATES = {"dry": _dry, "wet tip": _wet_tip, "wall": _on_wall}


def write_sheet(folder: Path, name: str, batch: Batch, truth: pd.DataFrame) -> Path:
    """Write an exam as a folder of recorded format, origin synthetic; gives its SHEET.toml."""
    folder.mkdir(parents=True, exist_ok=True)
    np.save(folder / "traces.npy", batch.samples)
    setup = batch.setup
    if setup.reference_echo is not None:
        np.save(folder / "reference.npy", setup.reference_echo.samples)
    table = truth.assign(start_us=1e6 * batch.start_s)
    for column in ("back_wall_us", "back_wall_stands"):
        table[column] = [" ".join(map(str, entries)) for entries in truth[column]]
    table.to_csv(folder / "truth.csv", index=False)
    sheet = {
        "name": name,
        "origin": "synthetic",
        "about": "Made by travelling waves in the time domain; nothing in it was measured.",
        "waveforms": "traces.npy",
        "truth": "truth.csv",
        "sample_rate": f"{batch.rate_hz / 1e6:g} MHz",
        "full_scale": 1.0,
        "setup": setup.table("reference.npy"),
    }
    path = folder / "SHEET.toml"
    path.write_text(tomlkit.dumps(sheet), encoding="utf-8")
    return path
