"""Rows of the long table of scores."""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd

from echotrial.columns import SCORES
from echotrial.scores.intervals import NO_INTERVAL, Interval
from echotrial.scores.rates import Rate, rate
from echotrial.scores.sampling import Bools, Sampling

EXACT = "Clopper-Pearson, one-sided 95 %"


class Where(NamedTuple):
    """Which part of a corpus a row is about."""

    stratum: str
    bin: str = ""


class Row(NamedTuple):
    """One number of one detector; columns as in `columns.SCORES`."""

    where: Where
    measure: str
    value: float
    interval: Interval = NO_INTERVAL
    numerator: float = np.nan
    denominator: float = np.nan
    unit: str = "1"
    note: str = ""


def rate_rows(
    where: Where, among: Bools, events: Mapping[str, Bools], sampling: Sampling, note: str = ""
) -> list[Row]:
    """A row for each kind of event, (n,) bool, among some of the n records."""
    return [
        rate_row(where, name, rate(event, among, sampling), note) for name, event in events.items()
    ]


def rate_row(where: Where, name: str, found: Rate, note: str = "") -> Row:
    """The row of a rate."""
    words = f"{note}; {found.note}" if note and found.note else note or found.note
    return Row(
        where, name, found.value, found.interval, found.numerator, found.denominator, note=words
    )


def table_of(corpus: str, rows: Mapping[str, Sequence[Row]]) -> pd.DataFrame:
    """The rows of every detector as a frame."""
    flat = [
        (corpus, name, *row.where, *row[1:3], *row.interval, *row[4:])
        for name, own in rows.items()
        for row in own
    ]
    return pd.DataFrame.from_records(flat, columns=list(SCORES))
