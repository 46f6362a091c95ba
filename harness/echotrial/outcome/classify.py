"""The rules that name an outcome; the first that matches wins.

``tol`` is the larger of the relative tolerance of the *true* thickness and the absolute one;
e = reading - truth; s = spans (1 where not said); u = standard uncertainty of the truth;
T = 1 / f0; q = v / (4 f0 s), half a period as thickness.

1. ``crashed``, ``timed out``, ``invalid`` (wrong shape, infinite, negative), ``not applicable``.
2. No wall: no reading ``quiet``, a reading ``phantom``. A wall and no reading: ``dropout``.
3. abs(e) <= tol: ``hit``. Where the truth is uncertain, a reading with tol - 2 u < abs(e) <= tol
   + 2 u is ``undecided`` if the alternatives are hit and off (ISO 14253-1: within the guard band
   neither conformity nor the contrary is proven).
4. *By marks*, where both are given and the true echo times are known. A mark's echo is the nearest
   one that stands above the tail and the noise; a mark is *on* it within T/4. Marks are *together*
   when both are on their echoes, or both lie within 9/8 T of them and are off by the same to T/4.

   a. Together, another number of round trips than s: ``echo skip``.
   b. Together, abs(e) <= max(2 tol, min(q, truth / 10)): ``off``, else ``stray``.
   c. Each mark on its echo, or within T/8 of T/2 or T from it, and round trips equal to s:
      ``cycle skip``.
   d. A mark on no echo and before the tail's end: ``tail lock``.

5. *By thickness*, where the marks are not given or decide nothing.

   a. abs(e) <= max(2 tol, min(q/2, truth / 10)): ``off``.
   b. Within min(max(tol, q/2), truth / (2 s)) of truth x j / s, j = 1..6, j != s: ``echo skip``,
      or ``ambiguous`` where c. fits too.
   c. abs(e) within q/4 of q or of 2 q: ``cycle skip``; else ``stray``.

In rules 4 and 5 the limit of ``off`` is never below tol + 2 u: what may be a hit is no lie.

What planted cases and the first detectors showed, and why the rules are as they are: (i) Rule c
before d: the interface echo always lies before the tail's end, so with the order turned round a
skipped cycle on the interface echo could never be named. (ii) *Together* and not merely both on:
without `tune` there are no mark offsets, and a detector that marks both echoes half a cycle early
would have its small errors called cycle skips, tail locks or strays, though its interval holds
the right echoes. (iii) The guard of 2 u in the limit of off. (iv) Marks that decide nothing leave
it to the thickness, and not to ``stray``: a correlation finds multiples that stand below 3 sigma
of the noise, and readings over every second of them, twice the wall to a hundredth, were called
stray.

Below about 0.75 wavelengths the skips of an echo and of half a cycle coincide on many walls: no
verdict should rest on the kind of skip there.
"""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from echotrial.outcome.marks import EDGE_M, EDGE_S, MarkOffsets, mark_offsets, nearest
from echotrial.outcome.names import FAULTS, WALL_LOCKS, Direction, Outcome, Rule
from echotrial.outcome.truths import Floats, Truths, TruthTable, column
from echotrial.setup import Setup

Bools = NDArray[np.bool_]
Codes = NDArray[np.int8]

_OUTCOMES: Final = [str(o) for o in Outcome]
_CODE: Final = {o: i for i, o in enumerate(Outcome)}
_RULES: Final = [str(r) for r in Rule]
_DIRECTIONS: Final = [str(d) for d in Direction]
_BLOCK: Final = 65536  # rows at a time: bounds the (rows, echoes) work arrays


def classify(
    readings: pd.DataFrame,
    truth: pd.DataFrame | TruthTable,
    setup: Setup,
    offsets: MarkOffsets | Mapping[str, MarkOffsets],
) -> pd.DataFrame:
    """Name the outcome of every reading.

    Parameters
    ----------
    readings
        Columns `columns.READINGS`.
    truth
        Columns `columns.TRUTH`; looked up by ``record`` (and ``split``), so in any order; or
        the table made of it.
    setup
        Tolerance, velocity and centre frequency.
    offsets
        From `mark_offsets`; of ONE detector, whose readings these are, or of each by its name.

    Returns
    -------
    DataFrame
        Columns `columns.OUTCOMES`, index of `readings`.

    Raises
    ------
    KeyError
        A reading of a record that the truth does not have.
    """
    starts = range(0, max(len(readings), 1), _BLOCK)
    table = TruthTable.of(truth)
    blocks = [_classify(readings.iloc[i : i + _BLOCK], table, setup, offsets) for i in starts]
    return blocks[0] if len(blocks) == 1 else pd.concat(blocks)


def judge(
    readings: pd.DataFrame, truth: pd.DataFrame, setup: Setup
) -> tuple[pd.DataFrame, dict[str, MarkOffsets]]:
    """Outcomes of every detector's readings, and the mark offsets they were judged by."""
    table = TruthTable.of(truth)
    offsets = offsets_of(readings, table, setup)
    return classify(readings, table, setup, offsets), offsets


def offsets_of(
    readings: pd.DataFrame, truth: pd.DataFrame | TruthTable, setup: Setup
) -> dict[str, MarkOffsets]:
    """Mark offsets of every detector that has readings, whatever their split."""
    table = TruthTable.of(truth)
    by_detector = readings.groupby("detector", sort=False, observed=True)
    return {str(name): mark_offsets(own, table, setup) for name, own in by_detector}


def _shifts(
    readings: pd.DataFrame, offsets: MarkOffsets | Mapping[str, MarkOffsets]
) -> tuple[Floats, Floats]:
    """Offsets of both marks of every reading, in seconds."""
    if isinstance(offsets, MarkOffsets):
        return np.full(len(readings), offsets.first_s), np.full(len(readings), offsets.second_s)
    codes, names = pd.factorize(readings["detector"])
    own = [offsets[str(name)] for name in names]
    first, second = np.array([o.first_s for o in own]), np.array([o.second_s for o in own])
    return (first[codes], second[codes]) if own else (np.empty(0), np.empty(0))


def _classify(
    readings: pd.DataFrame,
    truth: TruthTable,
    setup: Setup,
    offsets: MarkOffsets | Mapping[str, MarkOffsets],
) -> pd.DataFrame:
    truths = truth.rows_of(readings)
    case = _Case(readings, truths, setup)
    early = _without_error(case, readings)
    code = np.where(early >= 0, early, np.int8(_CODE[Outcome.HIT]))
    rule = np.where(early >= 0, 2, 1)
    left = np.flatnonzero((early < 0) & ~case.is_hit)  # few, and rules 4 and 5 are dear
    own = readings.iloc[left]
    missed = _Case(own, truths.take(left), setup)
    by_marks, known = _by_marks(missed, own, [shift[left] for shift in _shifts(readings, offsets)])
    code[left] = np.where(known, by_marks, _by_thickness(missed))
    rule[left[known]] = 0
    undecided = case.is_guarded & _among(code, (Outcome.HIT, Outcome.OFF))
    code[undecided], rule[undecided] = _CODE[Outcome.UNDECIDED], 1
    wrong = _among(code, (*WALL_LOCKS, Outcome.OFF))
    direction = np.where(wrong, np.where(case.error_m > 0, 1, 2), 0)
    return pd.DataFrame(
        {
            "outcome": _named(code, _OUTCOMES),
            "rule": _named(rule, _RULES),
            "direction": _named(direction, _DIRECTIONS),
            "error_um": case.error_m * 1e6,
            "tolerance_um": case.tol_m * 1e6,
        },
        index=readings.index,
    )


def _named(code: NDArray[Any], names: list[str]) -> "pd.Categorical[str]":
    return pd.Categorical.from_codes(code.astype(np.int8), pd.Index(names))


class _Case:
    """The quantities of the rules for n readings; lengths in metres."""

    def __init__(self, readings: pd.DataFrame, truths: Truths, setup: Setup) -> None:
        self.truths = truths
        self.true_m = truths.thickness_m
        self.read_m = column(readings, "thickness_mm") * 1e-3
        self.error_m = self.read_m - self.true_m
        self.e = np.abs(self.error_m)
        self.tol_m = setup.tolerance.of(self.true_m)
        self.guard_m = 2 * truths.uncertainty_m
        spans = column(readings, "spans")
        self.s = np.where(spans >= 1, spans, 1.0)
        self.q = setup.velocity / (4 * setup.centre_frequency * self.s)
        self.period_s = 1 / setup.centre_frequency
        self.is_hit = self.within(self.e, self.tol_m)
        self.is_guarded = ~self.within(self.e, self.tol_m - self.guard_m) & self.within(
            self.e, self.tol_m + self.guard_m
        )

    @staticmethod
    def within(value: Floats, limit: ArrayLike) -> Bools:
        """Whether a length is at most its limit; NaN is not."""
        return np.asarray(value <= np.asarray(limit) + EDGE_M)

    def is_off(self, reach_m: Floats) -> Bools:
        """Whether the error is one of precision, not of identity."""
        reach = np.maximum(2 * self.tol_m, np.minimum(reach_m, self.true_m / 10))
        return self.within(self.e, np.maximum(reach, self.tol_m + self.guard_m))


def _without_error(case: _Case, readings: pd.DataFrame) -> Codes:
    """Rules 1 and 2; -1 = they do not apply."""
    silent, no_wall = np.isnan(case.read_m), np.isnan(case.true_m)
    status = np.asarray(readings["status"], dtype=str) if "status" in readings else None
    faults = [] if status is None else [(status == o, o) for o in Outcome if o in FAULTS]
    return _first_of(
        [
            *faults,
            (np.isinf(case.read_m) | (case.read_m < 0), Outcome.INVALID),
            (no_wall & silent, Outcome.QUIET),
            (no_wall, Outcome.PHANTOM),
            (silent, Outcome.DROPOUT),
        ]
    )


def _by_marks(
    case: _Case, readings: pd.DataFrame, shift_s: Sequence[Floats]
) -> tuple[Codes, Bools]:
    """Rule 4, and where it decides."""
    period, echo_s = case.period_s, case.truths.echo_s
    first = column(readings, "first_echo_us") * 1e-6 - shift_s[0]
    second = column(readings, "second_echo_us") * 1e-6 - shift_s[1]
    (index_1, lag_1), (index_2, lag_2) = nearest(first, echo_s), nearest(second, echo_s)
    on_1, on_2 = _near(lag_1, 0, period / 4), _near(lag_2, 0, period / 4)
    at_1, at_2 = on_1 | _is_skip(lag_1, period), on_2 | _is_skip(lag_2, period)
    moved_alike = _near(lag_2 - lag_1, 0, period / 4) & _near(
        np.maximum(np.abs(lag_1), np.abs(lag_2)), 0, 9 / 8 * period
    )
    together = (on_1 & on_2) | moved_alike
    right = index_2 - index_1 == case.s
    in_tail = (~on_1 & (first < case.truths.tail_end_s)) | (
        ~on_2 & (second < case.truths.tail_end_s)
    )
    code = _first_of(
        [
            (together & ~right, Outcome.ECHO_SKIP),
            (together & case.is_off(case.q), Outcome.OFF),
            (together, Outcome.STRAY),
            (at_1 & at_2 & right, Outcome.CYCLE_SKIP),
            (in_tail, Outcome.TAIL_LOCK),
        ]
    )
    return code, (code >= 0) & _echoes_known(case, first, second)


def _echoes_known(case: _Case, first: Floats, second: Floats) -> Bools:
    """Both marks given, and the times of the echoes they may belong to.

    Without the interface echo's time a mark before every known back-wall echo may be on it.
    """
    interface, back_walls = case.truths.echo_s[:, 0], case.truths.echo_s[:, 1:]
    earliest = np.min(np.where(np.isnan(back_walls), np.inf, back_walls), axis=1, initial=np.inf)
    earlier_mark = np.fmin(first, second)
    covered = ~np.isnan(interface) | (earlier_mark >= earliest - case.period_s / 4 - EDGE_S)
    return np.asarray(~np.isnan(first) & ~np.isnan(second) & np.isfinite(earliest) & covered)


def _by_thickness(case: _Case) -> Codes:
    """Rule 5."""
    reach = np.minimum(np.maximum(case.tol_m, case.q / 2), case.true_m / (2 * case.s))
    echo_skip = np.zeros(case.e.shape, dtype=bool)
    for j in range(1, 7):
        near = case.within(np.abs(case.read_m - case.true_m * j / case.s), reach)
        echo_skip |= near & (case.s != j)
    cycle_skip = case.within(np.abs(case.e - case.q), case.q / 4) | case.within(
        np.abs(case.e - 2 * case.q), case.q / 4
    )
    return _first_of(
        [
            (case.is_off(case.q / 2), Outcome.OFF),
            (echo_skip & cycle_skip, Outcome.AMBIGUOUS),
            (echo_skip, Outcome.ECHO_SKIP),
            (cycle_skip, Outcome.CYCLE_SKIP),
        ],
        otherwise=Outcome.STRAY,
    )


def _near(lag_s: Floats, centre_s: float, reach_s: float) -> Bools:
    return np.asarray(np.abs(lag_s - centre_s) <= reach_s + EDGE_S)


def _is_skip(lag_s: Floats, period_s: float) -> Bools:
    size = np.abs(lag_s)
    return _near(size, period_s / 2, period_s / 8) | _near(size, period_s, period_s / 8)


def _among(code: NDArray[np.integer], outcomes: Sequence[Outcome]) -> Bools:
    return np.isin(code, [_CODE[o] for o in outcomes])


def _first_of(rules: Sequence[tuple[Bools, Outcome]], otherwise: Outcome | None = None) -> Codes:
    """Code of the first outcome whose condition holds, row by row."""
    conditions = [condition for condition, _ in rules]
    codes = [np.int8(_CODE[outcome]) for _, outcome in rules]
    default = np.int8(-1 if otherwise is None else _CODE[otherwise])
    return np.select(conditions, codes, default).astype(np.int8)
