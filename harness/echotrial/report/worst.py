"""Which records' A-scans the page carries: the worst of each kind, of every detector in turn."""

from collections.abc import Iterator
from itertools import zip_longest
from typing import Final

import numpy as np
from numpy.typing import NDArray

from echotrial.outcome import Outcome
from echotrial.report.compact import Part, deviation_um

#: A-scans carried for each corpus.
EMBEDDED: Final = 60
_ORDER: Final = (
    Outcome.TAIL_LOCK,
    Outcome.ECHO_SKIP,
    Outcome.CYCLE_SKIP,
    Outcome.AMBIGUOUS,
    Outcome.STRAY,
    Outcome.PHANTOM,
    Outcome.OFF,
    Outcome.CRASHED,
    Outcome.TIMED_OUT,
    Outcome.INVALID,
    Outcome.DROPOUT,
    Outcome.UNDECIDED,
    Outcome.HIT,
    Outcome.QUIET,
)


def worst(part: Part, most: int = EMBEDDED) -> list[int]:
    """Numbers of at most `most` records: first the worst of each outcome and detector, then the
    second worst of each, and so on; worst = farthest from the truth, of silent ones the clearest.
    """
    deviation = np.abs(deviation_um(part))
    queues = [list(_queue(part, deviation, i, o, most)) for o in _ORDER for i in _detectors(part)]
    in_turn = (row for rank in zip_longest(*queues) for row in rank if row is not None)
    rows = list(dict.fromkeys(in_turn))[:most]
    return [int(part.panel.truth["record"].iloc[row]) for row in rows]


def _detectors(part: Part) -> range:
    return range(len(part.panel.detectors))


def _queue(
    part: Part, deviation: NDArray[np.float64], i: int, outcome: Outcome, most: int
) -> Iterator[int]:
    rows = np.flatnonzero(part.panel.among_of(i, [outcome]))
    silent = outcome in (Outcome.DROPOUT, Outcome.QUIET)
    badness = _snr(part)[rows] if silent else deviation[i, rows]
    order = np.argsort(-np.nan_to_num(badness), kind="stable")
    yield from (int(row) for row in rows[order][:most])


def _snr(part: Part) -> NDArray[np.float64]:
    """SNR of the first echo: a silence is the stranger the clearer the record."""
    truth = part.panel.truth
    for name in ("echo_snr_db", "snr_db"):
        if name in truth:
            return np.asarray(truth[name], dtype=np.float64)
    return np.zeros(len(part.panel))
