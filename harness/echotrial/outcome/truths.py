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

    def take(self, rows: NDArray[np.bool_]) -> "Truths":
        """Those of some rows."""
        return Truths(
            self.thickness_m[rows], self.uncertainty_m[rows], self.tail_end_s[rows],
            self.echo_s[rows],
        )  # fmt: skip


def truths_of(readings: pd.DataFrame, truth: pd.DataFrame) -> Truths:
    """Look up the truth of every reading by its record (and split, where both tables say it).

    Raises
    ------
    KeyError
        A reading of a record that the truth does not have.
    """
    rows = truth.iloc[_positions(readings, truth)]
    return Truths(
        column(rows, "thickness_mm") * 1e-3,
        np.nan_to_num(column(rows, "thickness_u_mm")) * 1e-3,
        column(rows, "tail_end_us") * 1e-6,
        _echo_s(rows),
    )


def column(frame: pd.DataFrame, name: str) -> Floats:
    """A column as float64, all NaN where the table lacks it."""
    if name not in frame:
        return np.full(len(frame), np.nan)
    return np.asarray(pd.to_numeric(frame[name]), dtype=np.float64)


def _positions(readings: pd.DataFrame, truth: pd.DataFrame) -> NDArray[np.intp]:
    keys = [k for k in ("split", "record") if k in readings and k in truth]
    kinds = {"record": int, **({"split": str} if "split" in keys else {})}
    index, wanted = (pd.MultiIndex.from_frame(t[keys].astype(kinds)) for t in (truth, readings))
    found = index.get_indexer(wanted)
    if (found < 0).any():
        absent = readings.loc[found < 0, "record"].iloc[0]
        raise KeyError(f"record {absent} has a reading and no truth")
    return found


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
