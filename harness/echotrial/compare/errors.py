"""Findings about errors on right echoes: bias, median, spread. Each record is its own control."""

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from echotrial.compare import mean_shift, signed_rank, specimens, spread_ratio
from echotrial.compare.finding import Finding
from echotrial.compare.margins import Margins
from echotrial.compare.pairs import Pair
from echotrial.scores.bootstrap import bootstrap
from echotrial.scores.intervals import Interval

Floats = NDArray[np.float64]


class Errors(NamedTuple):
    """Errors in um of the n records of which both read the right echoes, and their specimens."""

    before: Floats
    moved: Floats
    unit: NDArray[np.intp] | None

    @property
    def after(self) -> Floats:
        """Errors of B; what agrees within rounding is as in A."""
        return self.before + self.moved

    def means(self, values: Floats) -> Floats:
        """One value an independent unit: the record's own, or its specimen's mean."""
        if self.unit is None:
            return values
        return specimens.sums(self.unit, values) / specimens.counts(self.unit)

    def sums(self, columns: Floats) -> Floats:
        """Rows that are independent: records, or sums over specimens."""
        if self.unit is None:
            return columns
        return np.column_stack([specimens.sums(self.unit, column) for column in columns.T])


def error_findings(pair: Pair, margins: Margins) -> Iterator[Finding]:
    """Paired t test, signed-rank test, and the signed-rank test of the distance to the median."""
    rows = pair.right
    unit = None if pair.unit is None else np.unique(pair.unit[rows], return_inverse=True)[1]
    errors = Errors(pair.before.error_um[rows], pair.moved_um[rows], unit)
    yield _bias(pair, errors, 1e6 * margins.bias)
    yield _median(pair, errors, 1e6 * margins.median_error)
    yield _spread(pair, errors, margins.spread)


def _bias(pair: Pair, errors: Errors, margin: float) -> Finding:
    ones = np.ones_like(errors.moved)
    columns = errors.sums(np.column_stack([errors.moved, ones]))
    found = mean_shift.mean_of(columns[:, 0], columns[:, 1])
    before, after = _mean(errors.before), _mean(errors.after)
    return Finding(
        pair.corpus,
        pair.detector,
        "bias",
        "um",
        len(pair),
        errors.moved.size,
        _differing(errors),
        before,
        after,
        found.value,
        _mean_interval(errors, columns),
        margin,
        mean_shift.t_test(found),
        mean_shift.equivalence(found, -margin, margin),
        abs(after) >= abs(before),
        found.error * math.sqrt(errors.moved.size),
        "paired t, bootstrap interval",
    )


def _median(pair: Pair, errors: Errors, margin: float) -> Finding:
    moved = errors.means(errors.moved)
    before, after = _median_of(errors.before), _median_of(errors.after)
    return Finding(
        pair.corpus,
        pair.detector,
        "median error",
        "um",
        len(pair),
        errors.moved.size,
        _differing(errors),
        before,
        after,
        signed_rank.shift(moved),
        signed_rank.shift_interval(moved),
        margin,
        signed_rank.signed_rank(moved),
        signed_rank.equivalence(moved, margin),
        abs(after) >= abs(before),
        math.sqrt(math.pi / 3) * _scatter(moved, errors),
        "signed rank, shift by Hodges and Lehmann",
    )


def _spread(pair: Pair, errors: Errors, margin: float) -> Finding:
    n = errors.moved.size
    before, after = _sd(errors.before), _sd(errors.after)
    found = spread_ratio.log_ratio(errors.before, errors.after, errors.unit)
    further = errors.means(spread_ratio.deviations(errors.before, errors.after)) if n else _NONE
    bound = math.log1p(margin)
    return Finding(
        pair.corpus,
        pair.detector,
        "spread",
        "1",
        len(pair),
        n,
        _differing(errors),
        before,
        after,
        math.expm1(found.value) if found.value < 700 else math.inf,
        _growth(errors),
        margin,
        signed_rank.signed_rank(np.round(further, 9)) if errors.moved.any() else 1.0,
        mean_shift.equivalence(found, -bound, bound),
        after > before,
        found.error * math.sqrt(n),
        "signed rank of the distance to the median, bootstrap interval",
    )


_NONE = np.empty(0)


def _mean_interval(errors: Errors, columns: Floats) -> Interval:
    if _unmoved(errors):
        return Interval(0.0, 0.0)
    return bootstrap(columns, lambda sums: sums[..., 0] / sums[..., 1])


def _unmoved(errors: Errors) -> bool:
    """No record's error differs: drawing them again would find the same, slowly."""
    return errors.moved.size > 1 and not errors.moved.any()


def _growth(errors: Errors) -> Interval:
    if _unmoved(errors):
        return Interval(0.0, 0.0)
    if errors.moved.size < 2:
        return Interval(math.nan, math.nan)
    columns = errors.sums(spread_ratio.moments(errors.before, errors.after))
    low, high = bootstrap(columns, spread_ratio.ratio)
    return Interval(low - 1, high - 1)


def _differing(errors: Errors) -> int:
    return int(np.count_nonzero(errors.means(np.abs(errors.moved))))


def _mean(values: Floats) -> float:
    return float(np.mean(values)) if values.size else math.nan


def _median_of(values: Floats) -> float:
    return float(np.median(values)) if values.size else math.nan


def _sd(values: Floats) -> float:
    return float(np.std(values, ddof=1)) if values.size > 1 else math.nan


def _scatter(moved: Floats, errors: Errors) -> float:
    """Standard deviation of one record's move, as its specimens show it."""
    return _sd(moved) * math.sqrt(errors.moved.size / max(moved.size, 1))
