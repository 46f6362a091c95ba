"""One corpus, all detectors: outcomes as matrices of small integers, truth once."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from echotrial.columns import OUTCOMES, READINGS
from echotrial.outcome import FALSE_LOCKS, WALL_LOCKS, Direction, Outcome
from echotrial.scores.sampling import Bools
from echotrial.setup import Setup

Floats = NDArray[np.float64]
_CODE: Final = {str(o): i for i, o in enumerate(Outcome)}
_DIRECTION: Final = {str(d): i for i, d in enumerate(Direction)}
#: Readings that took the right echoes, precise or not: those that bias and precision are about.
RIGHT_ECHOES: Final = (Outcome.HIT, Outcome.OFF, Outcome.UNDECIDED)
#: Readings that are right or wrong.
GIVEN: Final = (Outcome.HIT, Outcome.OFF, *FALSE_LOCKS)


@dataclass(frozen=True, eq=False)
class Panel:
    """Scored readings of d detectors on the same n records.

    Attributes
    ----------
    corpus, setup
        What they were read from.
    detectors
        d names, in the order of the rows below.
    truth
        n rows: ``record`` and every column of the scored frame that is none of a reading.
    code, direction
        (d, n) int8, positions in `Outcome` and `Direction`.
    error_um, confidence
        (d, n) float64; float32 of many records, see `gather.LARGE`.
    """

    corpus: str
    setup: Setup
    detectors: tuple[str, ...]
    truth: pd.DataFrame
    code: NDArray[np.int8]
    direction: NDArray[np.int8]
    error_um: Floats
    confidence: Floats

    def __len__(self) -> int:
        return len(self.truth)

    def without(self, columns: Iterable[str]) -> "Panel":
        """The same with fewer columns of the truth."""
        return replace(self, truth=self.truth.drop(columns=list(set(columns))))

    def among(self, outcomes: Iterable[Outcome]) -> Bools:
        """Where the outcome is one of these, (d, n)."""
        return np.asarray(_table(outcomes)[self.code])

    def among_of(self, i: int, outcomes: Iterable[Outcome]) -> Bools:
        """The same of one detector, (n,)."""
        return np.asarray(_table(outcomes)[self.code[i]])

    def reads_thick(self, i: int) -> Bools:
        """Where the reading of a detector is thicker than the wall, (n,)."""
        return np.asarray(self.direction[i] == _DIRECTION[Direction.THICK])

    @cached_property
    def wall_m(self) -> Floats:
        """True wall, (n,), NaN = none."""
        return np.asarray(self.truth["thickness_mm"], dtype=np.float64) * 1e-3

    @cached_property
    def inside(self) -> Bools:
        """Records with a wall inside the set-up's range, (n,); its ends belong to it."""
        low, high = self.setup.wall_range
        slack = 1e-12
        return np.asarray((self.wall_m >= low - slack) & (self.wall_m <= high + slack))

    @cached_property
    def no_wall(self) -> Bools:
        """Records without a wall, (n,)."""
        return np.isnan(self.wall_m)

    @cached_property
    def dry(self) -> Bools:
        """Records without a wall that are not known to be a wet tip, (n,)."""
        kind = self.truth.get("kind")
        if kind is None:
            return self.no_wall
        return np.asarray(self.no_wall & np.asarray(kind != "wet tip", dtype=bool))

    @cached_property
    def decided(self) -> Bools:
        """Where the truth is certain enough to tell hit from off, (d, n)."""
        return ~self.among([Outcome.UNDECIDED])

    @cached_property
    def hit(self) -> Bools:
        """Right readings, (d, n)."""
        return self.among([Outcome.HIT])

    @cached_property
    def false_lock(self) -> Bools:
        """False locks on a wall, (d, n)."""
        return self.among(WALL_LOCKS)

    @cached_property
    def thick(self) -> Bools:
        """False locks on a wall that read too thick, (d, n): they keep a bad part in service."""
        return np.asarray(self.false_lock & (self.direction == _DIRECTION[Direction.THICK]))

    @cached_property
    def phantom(self) -> Bools:
        """Readings of no wall, (d, n)."""
        return self.among([Outcome.PHANTOM])

    @cached_property
    def given(self) -> Bools:
        """Readings that are right or wrong, undecided ones left out, (d, n)."""
        return self.among(GIVEN)

    @cached_property
    def right_echoes(self) -> Bools:
        """Readings of the right echoes, (d, n)."""
        return self.among(RIGHT_ECHOES)


def code_of(outcome: Outcome) -> int:
    """What stands for an outcome in `Panel.code`."""
    return _CODE[outcome]


def _table(outcomes: Iterable[Outcome]) -> Bools:
    """True at the codes of these outcomes."""
    found = np.zeros(len(_CODE), dtype=bool)
    found[[_CODE[o] for o in outcomes]] = True
    return found


def joined(readings: pd.DataFrame, outcomes: pd.DataFrame, truth: pd.DataFrame) -> pd.DataFrame:
    """Readings, their outcomes and the truth of their records in one frame, a row a reading.

    The truth's ``thickness_mm`` becomes ``true_thickness_mm``, the other name being the reading's.
    """
    keys = ["record", "split"] if "split" in readings and "split" in truth else ["record"]
    known = truth.rename(columns={"thickness_mm": "true_thickness_mm"})
    known = known[[c for c in known if c in keys or (c not in readings and c not in outcomes)]]
    both = pd.concat([readings, outcomes], axis=1)
    return both.merge(known, on=keys, how="left", validate="many_to_one").set_axis(both.index)


def panel_of(scored: pd.DataFrame, setup: Setup, split: str = "prove") -> Panel:
    """Arrange one corpus's scored readings of a split.

    Parameters
    ----------
    scored
        One row a record and detector, as `joined` makes them.

    Raises
    ------
    ValueError
        More than one corpus, or a detector without a row for some record: a failure is a row,
        and a missing one must never pass for fewer records.
    """
    corpora = scored["corpus"].unique()
    if len(corpora) > 1:
        raise ValueError(f"scores are of one corpus, these are of {len(corpora)}")
    rows = scored[scored["split"] == split] if "split" in scored else scored
    names = tuple(str(name) for name in pd.unique(scored["detector"]))
    who = pd.Categorical(rows["detector"].astype(str), categories=names)
    rows = rows.iloc[np.lexsort((rows["record"].to_numpy(), who.codes))]
    n, ragged = divmod(len(rows), max(len(names), 1))
    record = rows["record"].to_numpy()
    if ragged or (record.reshape(len(names), n) != record[:n]).any():
        raise ValueError(f"{corpora[0]}: some detector lacks a row for some record of '{split}'")
    own = set(READINGS) | set(OUTCOMES)
    truth = rows.iloc[:n][[c for c in rows if c == "record" or c not in own]]
    shape = (len(names), n)
    return Panel(
        str(corpora[0]) if len(corpora) else "",
        setup,
        names,
        truth.rename(columns={"true_thickness_mm": "thickness_mm"}).reset_index(drop=True),
        _codes(rows["outcome"], _CODE).reshape(shape),
        _codes(rows["direction"], _DIRECTION).reshape(shape),
        rows["error_um"].to_numpy(dtype=np.float64).reshape(shape),
        rows["confidence"].to_numpy(dtype=np.float64).reshape(shape),
    )


def _codes(values: pd.Series, code: dict[str, int]) -> NDArray[np.int8]:
    named = pd.Categorical(values.astype(str), categories=list(code))
    if (named.codes < 0).any():
        raise ValueError(f"unknown {values.name}: {values[named.codes < 0].iloc[0]!r}")
    return np.asarray(named.codes, dtype=np.int8)
