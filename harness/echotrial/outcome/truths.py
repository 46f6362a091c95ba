"""The truth of each reading's record as SI arrays, rows in the order of the readings."""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Truths:
    """Truth of n records, in SI.

    Attributes
    ----------
    thickness_m, uncertainty_m, tail_end_s
        (n,); NaN thickness = no wall, NaN tail end = not known, no uncertainty = 0.
    echo_s
        (n, 1 + orders): the interface echo, then each back-wall echo; NaN where the time is not
        known or the echo does not stand above the tail and the noise.
    """

    thickness_m: Floats
    uncertainty_m: Floats
    tail_end_s: Floats
    echo_s: Floats

    def take(self, rows: NDArray[np.bool_] | NDArray[np.intp]) -> "Truths":
        """Those of some rows."""
        return Truths(
            self.thickness_m[rows], self.uncertainty_m[rows], self.tail_end_s[rows],
            self.echo_s[rows],
        )  # fmt: skip


class TruthTable:
    """A truth table converted once, however many detectors are looked up in it.

    Parameters
    ----------
    truth
        Columns `columns.TRUTH`, rows in any order.
    """

    def __init__(self, truth: pd.DataFrame) -> None:
        self._keys = truth[[k for k in ("split", "record") if k in truth]]
        record = pd.Index(truth["record"])
        self._record = record if record.is_unique else None  # then the split says no more
        self._all = Truths(
            column(truth, "thickness_mm") * 1e-3,
            np.nan_to_num(column(truth, "thickness_u_mm")) * 1e-3,
            column(truth, "tail_end_us") * 1e-6,
            _echo_s(truth),
        )

    @classmethod
    def of(cls, truth: "pd.DataFrame | TruthTable") -> "TruthTable":
        """The table of a frame; a table is its own."""
        return truth if isinstance(truth, TruthTable) else cls(truth)

    def rows_of(self, readings: pd.DataFrame) -> Truths:
        """Truth of every reading, by its record (and split, where both tables say it).

        Raises
        ------
        KeyError
            A reading of a record that the truth does not have.
        """
        if self._record is not None:
            found = self._record.get_indexer(pd.Index(readings["record"]))
        else:
            keys = [k for k in self._keys if k in readings]
            index, wanted = (_index(table[keys]) for table in (self._keys, readings))
            found = index.get_indexer(wanted)
        if (found < 0).any():
            absent = readings.loc[found < 0, "record"].iloc[0]
            raise KeyError(f"record {absent} has a reading and no truth")
        return self._all.take(found)


def _index(keys: pd.DataFrame) -> pd.MultiIndex:
    kinds: dict[Any, type] = {"record": int, "split": str}
    return pd.MultiIndex.from_frame(keys.astype({k: kinds[k] for k in keys}))


def column(frame: pd.DataFrame, name: str) -> Floats:
    """A column as float64, all NaN where the table lacks it."""
    if name not in frame:
        return np.full(len(frame), np.nan)
    return np.asarray(pd.to_numeric(frame[name]), dtype=np.float64)


def _echo_s(rows: pd.DataFrame) -> Floats:
    times = _padded(rows, "back_wall_us", np.nan) * 1e-6
    stands = _padded(rows, "back_wall_stands", 1.0)[:, : times.shape[1]]
    times[:, : stands.shape[1]][stands == 0] = np.nan
    return np.column_stack([column(rows, "interface_us") * 1e-6, times])


def _padded(rows: pd.DataFrame, name: str, filler: float) -> Floats:
    """A column of lists as a matrix; a missing column has no columns, None and NaN are empty."""
    if name not in rows:
        return np.empty((len(rows), 0))
    lists: list[Any] = [v if np.iterable(v) else () for v in rows[name].tolist()]
    lengths = np.fromiter((len(v) for v in lists), dtype=np.intp, count=len(lists))
    made = np.full((len(lists), int(lengths.max(initial=0))), filler)
    if made.size:
        filled = np.arange(made.shape[1]) < lengths[:, None]
        made[filled] = np.concatenate([np.asarray(v, dtype=np.float64) for v in lists])
    return made
