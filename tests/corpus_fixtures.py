"""Corpora and sheets for the tests of the store: small, generated, nothing measured."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from echotrial.corpus.manifest import Counts, Description, Sampling
from echotrial.corpus.store import Corpus, CorpusWriter
from echotrial.hooks import Material, SyntheticRecords
from echotrial.host import Host
from echotrial.setup import Setup, Waveform

RATE = 100e6
SAMPLES = 256

SHEET = """\
name = "bench"
origin = "synthetic"
waveforms = "traces.npy"
truth = "truth.csv"
sample_rate = "100 MHz"
first_sample = "2 us"

[setup]
centre_frequency = "10 MHz"
bandwidth = "6 MHz"
velocity = "5000 m/s"
interface_echo = "2.2 us"
wall_range = ["0.5 mm", "3 mm"]
wall = { impedance = "40 MRayl" }
"""


def setup(**changes: Any) -> Setup:
    """10 MHz into 5000 m/s: a wavelength of 0.5 mm, 1 mm takes 0.4 us there and back."""
    plain = {
        "centre_frequency": 10e6,
        "bandwidth": 6e6,
        "velocity": 5000.0,
        "interface_echo": 2.2e-6,
        "wall_range": (0.5e-3, 3e-3),
    }
    return Setup(**(plain | changes))


def train(
    thickness_mm: float,
    *,
    samples: int = SAMPLES,
    interface_us: float = 2.2,
    start_us: float = 2.0,
    decay: float = 0.8,
    noise: float = 0.0,
    seed: int = 0,
) -> np.ndarray[Any, Any]:
    """Interface echo and decaying back-wall echoes, Gaussian pulses of 10 MHz in 5000 m/s."""
    time = start_us + np.arange(samples) / (RATE / 1e6)
    record = 0.7 * _pulse(time - interface_us)
    if np.isfinite(thickness_mm):
        for order in range(1, 20):
            late = time - interface_us - order * 0.4 * thickness_mm
            record -= 0.3 * decay ** (order - 1) * _pulse(late)
    return record + noise * np.random.default_rng(seed).standard_normal(samples)


def _pulse(time_us: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    found: np.ndarray[Any, Any] = np.exp(-((time_us / 0.06) ** 2)) * np.cos(
        2 * np.pi * 10 * time_us
    )
    return found


def write_sheet(
    folder: Path,
    traces: np.ndarray[Any, Any],
    truth: Mapping[str, Any],
    text: str = SHEET,
) -> Path:
    """Write a sheet with its waveforms and truth; gives the sheet's path."""
    folder.mkdir(parents=True, exist_ok=True)
    np.save(folder / "traces.npy", traces)
    pd.DataFrame(truth).to_csv(folder / "truth.csv", index=False)
    (folder / "sheet.toml").write_text(text, encoding="utf-8")
    return folder / "sheet.toml"


def write_corpus(
    folder: Path,
    traces: np.ndarray[Any, Any],
    truth: Mapping[str, Any],
    *,
    known: Mapping[str, Any] | None = None,
    prove: int | None = None,
    made_of: Setup | None = None,
    full_scale: float = 1.0,
    name: str = "made",
    **options: Any,
) -> Corpus:
    """Write a corpus in one go; every record is of a specimen of its own unless told otherwise."""
    n = len(traces)
    table = pd.DataFrame(
        {"specimen": [f"piece {i}" for i in range(n)], "thickness_u_mm": 0.0} | dict(truth)
    )
    wave = np.asarray(traces)
    wave = wave if wave.dtype == np.int16 else wave.astype(np.float32)
    prove = n if prove is None else prove
    with CorpusWriter(
        folder,
        Description(name=name, origin="synthetic"),
        made_of or setup(),
        Sampling(rate=RATE, samples=wave.shape[1], full_scale=full_scale),
        Counts(prove=prove, tune=n - prove),
        dtype=wave.dtype.type,
        **options,
    ) as writer:
        writer.append(wave, pd.DataFrame(known or {"start_us": [2.0] * n}), table)
    return Corpus.open(folder)


@dataclass(frozen=True)
class StandInSpec:
    """A spec of the stand-in model below."""

    name: str = "stand-in"
    about: str = "Nothing that sounds: numbers that depend on split, seed and index."
    setup: Setup = field(default_factory=setup)
    rate_hz: float = RATE
    samples: int = 64
    sizes: Mapping[str, Mapping[str, int]] = field(
        default_factory=lambda: {"smoke": {"prove": 7, "tune": 3}}
    )

    def canonical(self) -> str:
        """The same text for the same meaning."""
        return f'name = "{self.name}"\nsamples = {self.samples}\nquote = """x"""\n'


@dataclass(frozen=True)
class StandInModel:
    """A forward model without physics, to see what `build` does with one."""

    version: str = "stand-in 1"
    table: Mapping[str, Material] = field(default_factory=dict)

    def records(
        self, spec: StandInSpec, split: str, seed: int, start: int, stop: int
    ) -> SyntheticRecords:
        """Records as a function of split, seed and index alone."""
        wave, rows = np.empty((stop - start, spec.samples), np.int16), []
        for i in range(start, stop):
            draw = np.random.default_rng([seed, i, *split.encode()])
            wave[i - start] = draw.integers(-32767, 32768, spec.samples)
            thickness = draw.uniform(0.5, 3.0) if i % 10 else np.nan
            rows.append(_truth_row(thickness))
        starts = 2.0 + np.arange(start, stop) / 1e3
        return SyntheticRecords(wave, pd.DataFrame({"start_us": starts}), pd.DataFrame(rows))

    def materials(self) -> Mapping[str, Material]:
        """The material table."""
        return self.table

    def read_spec(self, path: Path) -> StandInSpec:
        """Any file will do."""
        return StandInSpec(name=path.stem)


def _truth_row(thickness_mm: float) -> dict[str, object]:
    wall = bool(np.isfinite(thickness_mm))
    echoes = [2.2 + 0.4 * k * thickness_mm for k in (1, 2)] if wall else []
    return {
        "specimen": f"{thickness_mm:.6f}",
        "thickness_mm": thickness_mm,
        "thickness_u_mm": 0.0,
        "kind": "wall" if wall else "dry",
        "interface_us": 2.2,
        "back_wall_us": echoes,
        "note": None if wall else "no wall",
    }


def host(model: Any = None) -> Host:
    """A host whose only plugin is the stand-in model."""
    return Host(models=[("stand-in", model or StandInModel())])


def reference_echo(peak_us: float = 2.2, samples: int = 128) -> Waveform:
    """An echo of the bare tip, on the records' clock."""
    time = 2.0 + np.arange(samples) / (RATE / 1e6)
    return Waveform(_pulse(time - peak_us).astype(np.float32), RATE, 2e-6)
