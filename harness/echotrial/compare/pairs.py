"""Pairs answers by record, and says what cannot be paired and why."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from echotrial.compare.side import QUANTUM_UM, Answers, CorpusSide, Side
from echotrial.outcome import Outcome

Bools = NDArray[np.bool_]
#: Readings of one record that differ by no more are the same: rounding differs between machines.
AGREE_UM: Final = 0.02
RIGHT_ECHOES: Final = (Outcome.HIT, Outcome.OFF, Outcome.UNDECIDED)


class Refusal(NamedTuple):
    """Why a corpus, or one detector on it (else empty), cannot be compared."""

    corpus: str
    detector: str
    reason: str


@dataclass(frozen=True, eq=False)
class Pair:
    """Two answers of one detector to the same n records of a corpus.

    Attributes
    ----------
    before, after
        Answers of A and of B.
    truth
        n rows.
    wall_range_mm
        Ends of the set-up's wall range.
    unit
        (n,) number of each record's specimen where several records are of one, else None.
    """

    corpus: str
    detector: str
    before: Answers
    after: Answers
    truth: pd.DataFrame
    wall_range_mm: tuple[float, float]
    unit: NDArray[np.intp] | None = None

    def __len__(self) -> int:
        return len(self.truth)

    @cached_property
    def wall_mm(self) -> NDArray[np.float64]:
        """True wall, NaN = none."""
        return self.truth["thickness_mm"].to_numpy(dtype=np.float64)

    @cached_property
    def inside(self) -> Bools:
        """Walls inside the set-up's range."""
        low, high = self.wall_range_mm
        return np.asarray((self.wall_mm >= low - 1e-9) & (self.wall_mm <= high + 1e-9))

    @cached_property
    def decided(self) -> Bools:
        """Where the truth is certain enough, for both, to tell hit from off."""
        undecided = (Outcome.UNDECIDED,)
        return ~(self.before.among(undecided) | self.after.among(undecided))

    @cached_property
    def right(self) -> Bools:
        """Walls inside the range of which both read the right echoes."""
        both = self.before.among(RIGHT_ECHOES) & self.after.among(RIGHT_ECHOES)
        return np.asarray(both & self.inside & self.before.read & self.after.read)

    @cached_property
    def moved_um(self) -> NDArray[np.float64]:
        """Error after less error before, (n,); 0 within `AGREE_UM`, NaN where either has none."""
        steps = self.after.error - self.before.error
        steps = np.where(np.abs(steps) <= round(AGREE_UM / QUANTUM_UM), 0, steps)
        return np.where(self.before.read & self.after.read, steps * QUANTUM_UM, np.nan)

    @cached_property
    def identical(self) -> bool:
        """Whether no record was answered differently."""
        return bool(
            np.array_equal(self.before.outcome, self.after.outcome)
            and np.array_equal(self.before.direction, self.after.direction)
            and np.array_equal(self.before.read, self.after.read)
            and not np.nan_to_num(self.moved_um).any()
        )


def pair(
    a: Side, b: Side, renamed: Mapping[str, str] | None = None
) -> tuple[list[Pair], list[Refusal]]:
    """Pair everything that both sides answered.

    Parameters
    ----------
    renamed
        Detector of A -> detector of B to compare it with; without it, equal names are paired.
    """
    pairs: list[Pair] = []
    refusals: list[Refusal] = []
    for name in dict.fromkeys([*a.corpora, *b.corpora]):
        for found in _on_corpus(name, a, b, renamed):
            (pairs if isinstance(found, Pair) else refusals).append(found)  # type: ignore[arg-type]
    return pairs, refusals


def _on_corpus(
    name: str, a: Side, b: Side, renamed: Mapping[str, str] | None
) -> Iterator[Pair | Refusal]:
    if name not in a.corpora or name not in b.corpora:
        where = a.label if name in a.corpora else b.label
        yield Refusal(name, "", f"only in {where}")
        return
    one, other = a.corpora[name], b.corpora[name]
    reason = _why_not(one, other)
    if reason:
        yield Refusal(name, "", reason)
        return
    truth = other.truth if other.truth is not None else one.truth
    assert truth is not None, "one side of a comparison knows the truth"
    unit = _specimens(truth, other.origin)
    names = renamed or {n: n for n in [*one.answers, *other.answers]}
    for before, after in names.items():
        label = before if before == after else f"{before} > {after}"
        missing = [n for n, s in ((before, one), (after, other)) if n not in s.answers]
        if missing:
            where = b.label if before in one.answers else a.label
            yield Refusal(name, label, f"'{missing[0]}' did not run in {where}")
        else:
            yield Pair(name, label, one.answers[before], other.answers[after], truth,
                       other.wall_range_mm, unit)  # fmt: skip


def _why_not(one: CorpusSide, other: CorpusSide) -> str:
    if one.identity != other.identity:
        return f"another corpus identity: {one.identity[:10]} and {other.identity[:10]}"
    for key, value in one.scoring.items():
        theirs = other.scoring.get(key)
        if value != theirs:
            return f"another {key.replace('_', ' ')}: {_words(value)} and {_words(theirs)}"
    if not np.array_equal(one.records, other.records):
        common = np.intersect1d(one.records, other.records).size
        return (
            f"another record set: {one.records.size} and {other.records.size} prove records, "
            f"{common or 'none'} in common"
        )
    return "no prove record" if one.records.size == 0 else ""


def _words(value: object) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{k} {v}" for k, v in value.items())
    return " to ".join(map(str, value)) if isinstance(value, list | tuple) else str(value)


def _specimens(truth: pd.DataFrame, origin: str) -> NDArray[np.intp] | None:
    """Synthetic records are independent, others are clustered by ``specimen``."""
    if origin == "synthetic" or "specimen" not in truth:
        return None
    codes, names = pd.factorize(truth["specimen"], use_na_sentinel=False)
    return None if len(names) == len(truth) else codes.astype(np.intp)
