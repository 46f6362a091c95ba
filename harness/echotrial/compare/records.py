"""The records that show a change, most telling first."""

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from echotrial.compare.pairs import Pair
from echotrial.compare.side import DIRECTIONS, OUTCOMES, Answers
from echotrial.outcome import FALSE_LOCKS, FAULTS, Outcome

COLUMNS: Final = (
    "corpus", "detector", "record", "turn", "was", "now", "was_um", "now_um", "thickness_mm",
    "echo_snr_db", "specimen",
)  # fmt: skip
_LOCK, _THICK, _FAULT, _DROPOUT, _OFF = 4, 5, 3, 2, 1


def telling(pairs: Sequence[Pair], least_um: float = 0.5) -> pd.DataFrame:
    """Records whose outcome flipped, or whose error moved by more than `least_um`.

    Ordered by corpus and detector; within them the turns to the worse first, the greatest harm
    first (a hit that became a thick false lock before one that fell silent), then the greatest
    move, then the strongest echo: where a clear echo was missed there is least excuse.
    """
    found = [_of_pair(pair, least_um) for pair in pairs]
    found = [frame for frame in found if len(frame)]
    return pd.concat(found, ignore_index=True) if found else pd.DataFrame(columns=list(COLUMNS))


def _of_pair(pair: Pair, least_um: float) -> pd.DataFrame:
    before, after = _harm(pair.before), _harm(pair.after)
    error = np.abs(pair.after.error_um) - np.abs(pair.before.error_um)
    flipped = (pair.before.outcome != pair.after.outcome) | (
        pair.before.direction != pair.after.direction
    )
    rows = np.flatnonzero(flipped | (np.abs(np.nan_to_num(pair.moved_um)) > least_um))
    step = (after - before)[rows]
    grown = np.nan_to_num(error)[rows]
    worse = np.where(step != 0, step > 0, grown > 0)
    echo = _column(pair, "echo_snr_db", np.nan)[rows]
    moved = np.abs(np.nan_to_num(pair.moved_um))[rows]
    order = np.lexsort((rows, -np.nan_to_num(echo), -moved, -np.abs(step), ~worse))
    rows = rows[order]
    return pd.DataFrame(
        {
            "corpus": pair.corpus,
            "detector": pair.detector,
            "record": pair.truth["record"].to_numpy()[rows],
            "turn": np.where(worse[order], "worse", "better"),
            "was": _words(pair.before, rows),
            "now": _words(pair.after, rows),
            "was_um": pair.before.error_um[rows],
            "now_um": pair.after.error_um[rows],
            "thickness_mm": pair.wall_mm[rows],
            "echo_snr_db": echo[order],
            "specimen": _column(pair, "specimen", "")[rows],
        }
    )


def _harm(answers: Answers) -> NDArray[np.int64]:
    """How bad an outcome is: right or silent where it should be 0, a thick lie 5."""
    found = np.zeros(answers.outcome.size, dtype=np.int64)
    found[answers.among((Outcome.OFF,))] = _OFF
    found[answers.among((Outcome.DROPOUT,))] = _DROPOUT
    found[answers.among(FAULTS)] = _FAULT
    locks = answers.among(FALSE_LOCKS)
    found[locks] = np.where(answers.thick, _THICK, _LOCK)[locks]
    return found


def _words(answers: Answers, rows: NDArray[np.intp]) -> list[str]:
    named = ((DIRECTIONS[answers.direction[i]], OUTCOMES[answers.outcome[i]]) for i in rows)
    return [f"{direction} {outcome}".strip() for direction, outcome in named]


def _column(pair: Pair, name: str, otherwise: float | str) -> np.ndarray:
    if name in pair.truth:
        return pair.truth[name].to_numpy()
    return np.full(len(pair), otherwise)
