"""Marks against true echoes: which echo a mark belongs to, and how far off it lies."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from echotrial.outcome.truths import Floats, Truths, TruthTable, column
from echotrial.setup import Setup

#: With fewer hits on `tune` an offset is 0.
MIN_HITS: Final = 20

#: Lengths and times that differ by less are equal, so that no edge of a rule depends on how a
#: float was rounded: a picometre and a femtosecond, far below what any record resolves.
EDGE_M: Final = 1e-12
EDGE_S: Final = 1e-15


@dataclass(frozen=True)
class MarkOffsets:
    """What a detector's marks lie after the envelope peaks of their echoes, frozen with a trial.

    A flank, a peak and an onset of one echo lie at different times; without these, "on an echo"
    would mean another thing for each detector.
    """

    first_s: float = 0.0
    second_s: float = 0.0
    n_hits: int = 0


NO_OFFSETS: Final = MarkOffsets()


def mark_offsets(
    readings: pd.DataFrame, truth: pd.DataFrame | TruthTable, setup: Setup
) -> MarkOffsets:
    """Medians of mark - nearest standing true echo over a detector's hits on `tune`.

    The nearest echo is the wrong one where echoes stand closer than twice the offset. So the
    first guess comes from the quarter of the hits with the thickest walls, and the medians over
    all hits from the echoes nearest to their marks less that guess.

    Parameters
    ----------
    readings
        Rows of ONE detector, columns `columns.READINGS`; where there is a column ``split`` only
        the rows of `tune` count.
    truth
        Columns `columns.TRUTH`, any order of rows; or the table made of it.
    """
    if "split" in readings:
        readings = readings[readings["split"] == "tune"]
    truths = TruthTable.of(truth).rows_of(readings)
    error = np.abs(column(readings, "thickness_mm") * 1e-3 - truths.thickness_m)
    hits = error <= setup.tolerance.of(truths.thickness_m) - 2 * truths.uncertainty_m + EDGE_M
    marks = [column(readings, name)[hits] * 1e-6 for name in ("first_echo_us", "second_echo_us")]
    first, second = (_offset(mark, truths.take(hits)) for mark in marks)
    return MarkOffsets(first, second, int(hits.sum()))


def _offset(mark_s: Floats, truths: Truths) -> float:
    guess = 0.0
    thickest = np.argsort(-truths.thickness_m, kind="stable")
    for rows in (thickest[: max(MIN_HITS, thickest.size // 4)], thickest):
        lag = nearest(mark_s[rows] - guess, truths.echo_s[rows])[1]
        if np.isfinite(lag).sum() < MIN_HITS:
            return 0.0
        guess += float(np.nanmedian(lag))
    return guess


def nearest(mark_s: Floats, echo_s: Floats) -> tuple[NDArray[np.intp], Floats]:
    """Index of the echo nearest to each mark, (n,), and mark - echo in seconds, NaN = none."""
    lags = mark_s[:, None] - echo_s
    index = np.argmin(np.where(np.isnan(lags), np.inf, np.abs(lags)), axis=1)
    return index, np.take_along_axis(lags, index[:, None], axis=1)[:, 0]
