"""One side of a comparison: what every detector answered, whether from a trial or a baseline."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from echotrial.outcome import Direction, Outcome
from echotrial.quantities import parse
from echotrial.trial.folder import Trial

Floats = NDArray[np.float64]
OUTCOMES: Final = tuple(str(o) for o in Outcome)
DIRECTIONS: Final = tuple(str(d) for d in Direction)
#: Errors are kept in steps of this many micrometres.
QUANTUM_UM: Final = 0.01


@dataclass(frozen=True, eq=False)
class Answers:
    """What one detector made of the n `prove` records of a corpus.

    Attributes
    ----------
    outcome, direction
        (n,) int8, positions in `OUTCOMES` and `DIRECTIONS`.
    error
        (n,) int64, reading - truth in steps of `QUANTUM_UM`; anything where `read` is not set.
    read
        (n,) bool: there is a reading and a truth.
    """

    outcome: NDArray[np.int8]
    direction: NDArray[np.int8]
    error: NDArray[np.int64]
    read: NDArray[np.bool_]

    @property
    def error_um(self) -> Floats:
        """Errors in micrometres, NaN where there is none."""
        return np.where(self.read, self.error * QUANTUM_UM, np.nan)

    def among(self, outcomes: "frozenset[Outcome] | tuple[Outcome, ...]") -> NDArray[np.bool_]:
        """Where the outcome is one of these, (n,)."""
        return np.isin(self.outcome, [OUTCOMES.index(str(o)) for o in outcomes])

    @property
    def thick(self) -> NDArray[np.bool_]:
        """Where a reading is wrong and too thick, (n,)."""
        return np.asarray(self.direction == DIRECTIONS.index(str(Direction.THICK)))


def answers(outcome: Any, direction: Any, error_um: Any) -> Answers:
    """Arrange outcomes and directions by name, (n,), and errors in micrometres, NaN = none."""
    error = np.asarray(error_um, dtype=np.float64)
    read = np.isfinite(error)
    steps = np.rint(np.where(read, error, 0.0) / QUANTUM_UM).astype(np.int64)
    return Answers(_codes(outcome, OUTCOMES), _codes(direction, DIRECTIONS), steps, read)


def _codes(names: Any, known: tuple[str, ...]) -> NDArray[np.int8]:
    found = pd.Categorical(np.asarray(names).astype(str), categories=known).codes
    if (found < 0).any():
        raise ValueError(f"unknown name among {sorted(set(map(str, names)))}")
    return np.asarray(found, dtype=np.int8)


@dataclass(frozen=True, eq=False)
class CorpusSide:
    """One corpus of a side.

    Attributes
    ----------
    name, identity, origin
        Of the corpus.
    scoring
        What decides outcomes: ``tolerance`` and ``wall_range`` of the set-up.
    records
        (n,) indices of the `prove` records read, ascending.
    answers
        By detector.
    truth
        n rows (`columns.TRUTH`); None in a baseline, which is compared with a side that has it.
    """

    name: str
    identity: str
    origin: str
    scoring: Mapping[str, Any]
    records: NDArray[np.int64]
    answers: Mapping[str, Answers]
    truth: pd.DataFrame | None = None

    @property
    def wall_range_mm(self) -> tuple[float, float]:
        """Ends of the set-up's wall range."""
        low, high = (1e3 * parse(text, "length") for text in self.scoring["wall_range"])
        return low, high


@dataclass(frozen=True, eq=False)
class Side:
    """A trial or a baseline, ready to be compared.

    Attributes
    ----------
    label
        What to call it.
    corpora
        By name.
    detectors
        Name -> version, settings and digest of the source.
    """

    label: str
    corpora: Mapping[str, CorpusSide]
    detectors: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)


def side_of(trial: Trial, label: str = "") -> Side:
    """The side that a trial is."""
    readings = trial.readings[trial.readings["split"] == "prove"]
    found = {
        info["name"]: _corpus_side(info, readings, trial.records) for info in trial.info["corpora"]
    }
    detectors = {
        d["name"]: {k: d[k] for k in ("version", "settings", "source_digest")}
        for d in trial.info["detectors"]
    }
    return Side(label or str(trial.folder), found, detectors)


def _corpus_side(
    info: Mapping[str, Any], readings: pd.DataFrame, records: pd.DataFrame
) -> CorpusSide:
    own = readings[readings["corpus"] == info["name"]]
    truth = records[(records["corpus"] == info["name"]) & (records["split"] == "prove")]
    truth = truth.sort_values("record").reset_index(drop=True)
    per_detector = {
        str(name): _answers_of(rows.sort_values("record"), truth)
        for name, rows in own.groupby("detector", observed=True)
    }
    return CorpusSide(
        info["name"],
        info["identity"],
        info["origin"],
        {key: info["setup"][key] for key in ("tolerance", "wall_range")},
        truth["record"].to_numpy(dtype=np.int64),
        per_detector,
        truth,
    )


def _answers_of(rows: pd.DataFrame, truth: pd.DataFrame) -> Answers:
    if not np.array_equal(rows["record"], truth["record"]):
        raise ValueError(f"{rows['detector'].iloc[0]} lacks a row for some record")
    return answers(rows["outcome"], rows["direction"], rows["error_um"])
