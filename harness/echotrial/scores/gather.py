"""Panels filled block by block: of a reading 18 bytes are kept, of a record what strata need."""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from echotrial.outcome import Direction, Outcome
from echotrial.scores.panel import Panel
from echotrial.scores.strata import NO_STRATA
from echotrial.setup import Setup

#: With more records than this in a split, errors, confidences and what strata are cut by are kept
#: with 7 digits: 10 bytes a reading instead of 18, and half of a record.
LARGE: Final = 200_000
_NEEDED: Final = ("record", "thickness_mm", "kind", "specimen", "bound_um", "velocity_true_m_s")


class Gathering:
    """Scored readings of one corpus on their way to two panels.

    Parameters
    ----------
    corpus, setup, detectors
        Of the panels.
    records
        Split -> how many records there will be.
    clustered
        Whether scores ask for the specimen of each record. Where every record is independent (see
        `Sampling.of`) it is left out: a name for each takes more room than all the rest.
    """

    def __init__(
        self,
        corpus: str,
        setup: Setup,
        detectors: Sequence[str],
        records: Mapping[str, int],
        *,
        clustered: bool = True,
    ) -> None:
        self._corpus, self._setup, self._detectors = corpus, setup, tuple(detectors)
        self._rooms = {split: _Room(len(detectors), n) for split, n in records.items()}
        self._unasked = [] if clustered else ["specimen"]

    def add(self, readings: pd.DataFrame, outcomes: pd.DataFrame, truth: pd.DataFrame) -> None:
        """Take in a block.

        Parameters
        ----------
        readings, outcomes
            Rows by record, then by detector, one for each of the detectors.
        truth
            One row a record, in the same order.

        Raises
        ------
        ValueError
            A row is missing: it must never pass for fewer records.
        """
        shape = (len(truth), len(self._detectors))
        record = readings["record"].to_numpy()
        if (
            len(readings) != shape[0] * shape[1]
            or (record.reshape(shape) != truth["record"].to_numpy()[:, None]).any()
        ):
            raise ValueError(f"{self._corpus}: some detector lacks a row for some record")
        found = {
            "code": _codes(outcomes["outcome"], [str(o) for o in Outcome]),
            "direction": _codes(outcomes["direction"], [str(d) for d in Direction]),
            "error_um": outcomes["error_um"].to_numpy(dtype=np.float64),
            "confidence": readings["confidence"].to_numpy(dtype=np.float64),
        }
        split = truth["split"].astype(str).to_numpy()
        truth = truth.drop(columns=self._unasked, errors="ignore")
        for name, room in self._rooms.items():
            rows = split == name  # may be none: the columns are there all the same
            own = {key: values.reshape(shape)[rows].T for key, values in found.items()}
            room.add(own, truth[rows])

    def panel(self, split: str) -> Panel:
        """Hand over the panel of a split, once; every record has to be there.

        Raises
        ------
        ValueError
            Records are missing.
        """
        room = self._rooms.pop(split)  # or its memory would be held while scores are made
        if room.filled != room.size:
            raise ValueError(f"{self._corpus}: {room.filled} of {room.size} records of '{split}'")
        return Panel(
            self._corpus, self._setup, self._detectors, room.truth(), room.readings["code"],
            room.readings["direction"], room.readings["error_um"], room.readings["confidence"],
        )  # fmt: skip


class _Room:
    """Arrays for the records of one split; memory is taken as they fill."""

    def __init__(self, detectors: int, size: int) -> None:
        self.size, self.filled = size, 0
        number = np.float32 if size > LARGE else np.float64
        kinds = {"code": np.int8, "direction": np.int8, "error_um": number, "confidence": number}
        self.readings: dict[str, NDArray[Any]] = {
            name: np.zeros((detectors, size), dtype=kind) for name, kind in kinds.items()
        }
        self._numbers: dict[str, NDArray[Any]] = {}
        self._words: dict[str, tuple[NDArray[Any], dict[str, int]]] = {}

    def add(self, readings: Mapping[str, NDArray[Any]], truth: pd.DataFrame) -> None:
        """Write the next records."""
        rows = slice(self.filled, self.filled + len(truth))
        for name, values in readings.items():
            self.readings[name][:, rows] = values
        for column in map(str, truth):
            if column in _NEEDED or column not in NO_STRATA:
                self._write(column, truth[column], rows)
        self.filled = rows.stop

    def _write(self, name: str, values: "pd.Series[Any]", rows: slice) -> None:
        if _is_number(values):
            there = self._numbers.setdefault(name, np.zeros(self.size, dtype=self._kind(name)))
            there[rows] = values.astype(there.dtype)  # blanks of nullable types become NaN
            return
        empty = (np.full(self.size, -1, dtype=np.int8), dict[str, int]())
        codes, names = self._words.get(name, empty)
        own, distinct = _factorized(values)
        known = [names.setdefault(str(word), len(names)) for word in distinct]
        codes = codes.astype(np.min_scalar_type(-1 - len(names)), copy=False)
        codes[rows] = np.array([*known, -1], dtype=codes.dtype)[own]
        self._words[name] = codes, names

    def _kind(self, name: str) -> "np.dtype[Any]":
        """What a number of the truth is kept as."""
        if name == "record":
            return np.dtype(np.int32 if self.size > LARGE else np.int64)
        rounded = self.size > LARGE and name not in _NEEDED
        return np.dtype(np.float32 if rounded else np.float64)

    def truth(self) -> pd.DataFrame:
        """What is kept of the truth, one row a record."""
        words = {
            name: pd.Categorical.from_codes(codes, categories=pd.Index(list(names), dtype=str))
            for name, (codes, names) in self._words.items()
        }
        return pd.DataFrame({**self._numbers, **words}, copy=False)


def _is_number(values: "pd.Series[Any]") -> bool:
    """Yes and no are words: with a blank among them they are objects, in another block bools."""
    is_bool = pd.api.types.is_bool_dtype(values)
    return pd.api.types.is_numeric_dtype(values) and not is_bool


def _factorized(values: "pd.Series[Any]") -> tuple[NDArray[np.intp], Iterable[object]]:
    """Codes, -1 where blank, and distinct values; lists by their text, as strata name them."""
    try:
        return pd.factorize(values)
    except TypeError:
        return pd.factorize(values.map(str, na_action="ignore"))


def _codes(values: "pd.Series[Any]", names: list[str]) -> NDArray[np.int8]:
    """Positions of categorical values in `names`."""
    order = pd.Index(names).get_indexer(values.cat.categories.astype(str))
    return np.asarray(order[values.cat.codes.to_numpy()], dtype=np.int8)
