"""Rows of the long table of scores."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from echotrial.columns import SCORES
from echotrial.scores.intervals import NO_INTERVAL, Interval
from echotrial.scores.rates import rate
from echotrial.scores.sampling import Bools, Sampling

EXACT = "Clopper-Pearson, one-sided 95 %"


class Where(NamedTuple):
    """Which part of a corpus a row is about."""

    stratum: str
    bin: str = ""


@dataclass(frozen=True)
class Row:
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
    found = {name: rate(event, among, sampling) for name, event in events.items()}
    return [
        Row(where, name, r.value, r.interval, r.numerator, r.denominator,
            note="; ".join(filter(None, (note, r.note))))
        for name, r in found.items()
    ]  # fmt: skip


def table_of(rows: Sequence[Row], corpus: str, detector: str) -> pd.DataFrame:
    """The rows of one detector as a frame."""
    data = {
        "corpus": corpus,
        "detector": detector,
        "stratum": [r.where.stratum for r in rows],
        "bin": [r.where.bin for r in rows],
        "measure": [r.measure for r in rows],
        "value": [r.value for r in rows],
        "low": [r.interval.low for r in rows],
        "high": [r.interval.high for r in rows],
        "numerator": [r.numerator for r in rows],
        "denominator": [r.denominator for r in rows],
        "unit": [r.unit for r in rows],
        "note": [r.note for r in rows],
    }
    return pd.DataFrame(data, columns=list(SCORES))
