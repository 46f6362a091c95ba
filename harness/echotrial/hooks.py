"""The whole plugin surface, on one page.

A plugin is a module that implements some of the four hooks below with `hookimpl`, and names
itself in the entry-point group ``echotrial``. A single file given with ``--plugin`` needs no hooks
for detectors: every public detector class and every function whose first parameter is ``batch``
counts.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
import pluggy
from numpy.typing import NDArray

from echotrial.setup import Setup

if TYPE_CHECKING:
    import pandas as pd  # half a second that `detector list` need not pay

hookspec = pluggy.HookspecMarker("echotrial")
hookimpl = pluggy.HookimplMarker("echotrial")


@dataclass(frozen=True)
class Material:
    """A row of the material table, SI; `spread` is the relative spread of published velocities."""

    name: str
    velocity: float
    density: float
    attenuation: float  # Np/m at `attenuation_frequency`
    attenuation_frequency: float
    attenuation_exponent: float
    source: str
    spread: float

    @property
    def impedance(self) -> float:
        """Characteristic acoustic impedance, Pa s/m."""
        return self.density * self.velocity


@dataclass(frozen=True)
class CorpusEntry:
    """A corpus that a plugin offers: a synthetic spec (TOML file), or a recorded set to fetch."""

    name: str
    path: Path
    kind: str = "spec"  # or "recorded"
    default: bool = False  # what `run` takes without arguments


class Spec(Protocol):
    """A validated description of a synthetic corpus."""

    @property
    def name(self) -> str:
        """Name of the corpus."""
        ...

    @property
    def about(self) -> str:
        """What it tests, a paragraph."""
        ...

    @property
    def setup(self) -> Setup:
        """What the operator knows."""
        ...

    @property
    def rate_hz(self) -> float:
        """Sampling rate."""
        ...

    @property
    def samples(self) -> int:
        """Length of a record."""
        ...

    @property
    def sizes(self) -> Mapping[str, Mapping[str, int]]:
        """Records by size and split: "standard" -> {"tune": 1000, "prove": 5000}."""
        ...

    def canonical(self) -> str:
        """The same text for the same meaning, whatever the order or units of the file."""
        ...


@dataclass(frozen=True, eq=False)
class SyntheticRecords:
    """Records of one split: `samples` int16 (n, m) with 32767 = full scale, and tables of n rows.

    `known` has the columns detectors may see (``start_us``), `truth` those of design: one row a
    record, in order, without the columns ``record`` and ``split``, which the store adds. They are
    given as columns, (n,) each: whoever asks for no table need not load what makes one.
    """

    samples: NDArray[np.int16]
    known_columns: "Mapping[str, Any] | pd.DataFrame"
    truth_columns: "Mapping[str, Any] | pd.DataFrame"

    @cached_property
    def known(self) -> "pd.DataFrame":
        """What detectors may see, as a table."""
        return _table(self.known_columns)

    @cached_property
    def truth(self) -> "pd.DataFrame":
        """What is true, as a table."""
        return _table(self.truth_columns)


def _table(columns: "Mapping[str, Any] | pd.DataFrame") -> "pd.DataFrame":
    import pandas as pd

    return pd.DataFrame(columns)


@dataclass(frozen=True, eq=False)
class Echoes:
    """What the forward model expects of a set-up: times on its clock, signed peak amplitudes.

    `amplitude` is relative to the reference echo's peak, with its sign (see `Setup`); entry 0 is
    the interface echo, entry k the k-th back-wall echo of a wall of `thickness_m`.
    """

    thickness_m: float
    time_s: NDArray[np.float64]
    amplitude: NDArray[np.float64]
    tail_end_s: float
    extra: Mapping[str, Any] = field(default_factory=dict)


class ForwardModel(Protocol):
    """The only door to synthetic A-scans."""

    version: str

    def read_spec(self, path: Path) -> Spec:
        """Validate a spec file; raises `echotrial.errors.WrongQuestion`."""
        ...

    def spec_of(self, canonical: str) -> Spec:
        """The spec whose `Spec.canonical` text this is (kept in ``corpus.toml``)."""
        ...

    def records(self, spec: Spec, split: str, seed: int, start: int, stop: int) -> SyntheticRecords:
        """Records as a function of (spec, split, seed, index) alone, whatever the chunking."""
        ...

    def spec_for(self, setup: Setup, variation: Mapping[str, Any]) -> Spec:
        """A spec around a set-up; `variation` says what is uncertain and by how much."""
        ...

    def echoes(self, setup: Setup, thickness_m: float | None = None) -> Echoes:
        """Expected echoes, of the thinnest wall of the range unless told otherwise."""
        ...

    def bound(self, setup: Setup, thickness_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Cramer-Rao bound on thickness, metres, NaN where it is not known."""
        ...

    def materials(self) -> Mapping[str, Material]:
        """The material table; names in a set-up resolve through it."""
        ...


#: An extra score: (frame of scored records of one corpus and detector) -> name -> value.
Measure = Callable[["pd.DataFrame"], Mapping[str, float]]


class HookSpecs:
    """What a plugin may implement; every hook is optional."""

    @hookspec
    def detectors(self) -> Iterable[type | Callable[..., Any]]:
        """Detector classes, or plain functions whose first parameter is ``batch``."""
        raise NotImplementedError

    @hookspec
    def corpora(self) -> Iterable[CorpusEntry]:
        """Corpora on offer."""
        raise NotImplementedError

    @hookspec
    def forward_model(self) -> ForwardModel:
        """The maker of synthetic records; the first plugin that has one serves."""
        raise NotImplementedError

    @hookspec
    def measures(self) -> Mapping[str, Measure]:
        """Extra scores, by name."""
        raise NotImplementedError
