"""Parts of a corpus in which a detector may fail though it does well on the whole."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from echotrial.scores.sampling import Bools

#: Fewer records than this are shown but decide nothing.
MIN_RECORDS: Final = 100
#: More distinct values than this are not categories.
MAX_CATEGORIES: Final = 12
#: Bins of a number that has no edges below.
DEFAULT_BINS: Final = 5

_INF: Final = float("inf")
#: Fixed edges, so that two corpora or two trials can be compared bin by bin.
EDGES: Final[Mapping[str, tuple[float, ...]]] = {
    "wall_wavelengths": (0.0, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 5.0, _INF),
    "snr_db": (-_INF, 10.0, 20.0, 30.0, 40.0, 50.0, _INF),
    "echo_snr_db": (-_INF, 0.0, 10.0, 20.0, 30.0, 40.0, _INF),
    "tail_to_echo_db": (-_INF, -40.0, -30.0, -20.0, -10.0, 0.0, 10.0, _INF),
    "couplant_gap_um": (0.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, _INF),
}

#: Columns of the truth that say which record it is, or what is scored, and not of what sort it is.
NO_STRATA: Final = frozenset(
    {
        "record",
        "thickness_mm",
        "thickness_u_mm",
        "interface_us",
        "back_wall_us",
        "back_wall_stands",
        "tail_end_us",
        "bound_um",
        "kind",
        "specimen",
        "split",
        "corpus",
        "velocity_true_m_s",
    }
)


@dataclass(frozen=True, eq=False)
class Bin:
    """Records of one part of a stratum; `decides` is False where they are too few.

    The parts of a stratum share `codes`, (n,), in which this one is number `code`: masks of all
    parts of all strata would take more memory than all that is known of the records.
    """

    stratum: str
    name: str
    codes: NDArray[np.int8]
    code: int
    decides: bool

    @property
    def rows(self) -> Bools:
        """Where its records are, (n,)."""
        return np.asarray(self.codes == self.code)


def bins_of(
    truth: pd.DataFrame, columns: Iterable[str] | None = None, among: Bools | None = None
) -> list[Bin]:
    """Cut records by columns of the truth; bins without a record are left out.

    Parameters
    ----------
    truth
        n rows.
    columns
        Which columns; every one that can be cut if None. Unknown names are left out.
    among
        (n,) bool: records that may be in a bin, all of them if None.
    """
    if among is None:
        among = np.ones(len(truth), dtype=bool)
    wanted = [c for c in truth if c not in NO_STRATA] if columns is None else columns
    return [b for name in wanted if name in truth for b in _cut(truth[name], among)]


def _cut(values: pd.Series, among: Bools) -> list[Bin]:
    name = str(values.name)
    if pd.api.types.is_bool_dtype(values) or not pd.api.types.is_numeric_dtype(values):
        return _categories(values, among)
    number = values.to_numpy(dtype=np.float64)
    edges = np.asarray(EDGES[name] if name in EDGES else _quantiles(number[among]))
    which = np.searchsorted(edges, number, side="right") - 1
    which = np.where(number == edges[-1], edges.size - 2, which) if edges.size > 1 else which
    which = np.where(among & (which < edges.size - 1), which, -1)  # an infinity is in no part
    which = np.where(np.isnan(number), -1, which)
    return _bins(name, which, [_label(low, high) for low, high in pairwise(edges)])


def _quantiles(values: np.ndarray) -> tuple[float, ...]:
    values = values[np.isfinite(values)]
    if values.size == 0 or np.ptp(values) == 0:
        return ()  # a constant column cuts nothing
    return tuple(np.unique(np.quantile(values, np.linspace(0, 1, DEFAULT_BINS + 1))))


def _categories(values: pd.Series, among: Bools) -> list[Bin]:
    try:
        distinct = sorted({str(v) for v in values[among].dropna()})
    except TypeError:
        return []
    if not 2 <= len(distinct) <= MAX_CATEGORIES:
        return []
    which = pd.Index(distinct).get_indexer(pd.Index(values.astype(str)))
    return _bins(str(values.name), np.where(among, which, -1), distinct)


def _bins(stratum: str, which: NDArray[Any], names: Sequence[str]) -> list[Bin]:
    """The parts that have a record; `which` is -1 where a record is in none."""
    codes = which.astype(np.int8)
    counts = np.bincount(codes[codes >= 0], minlength=len(names))
    return [
        Bin(stratum, name, codes, i, bool(n >= MIN_RECORDS))
        for i, (name, n) in enumerate(zip(names, counts, strict=False))
        if n
    ]


def _label(low: float, high: float) -> str:
    if np.isneginf(low):
        return f"below {high:.4g}"
    return f"{low:.4g} and above" if np.isposinf(high) else f"{low:.4g} to {high:.4g}"
