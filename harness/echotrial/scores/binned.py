"""What one detector did in every bin of a stratum: rates, guarantees, bias."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import special

from echotrial.outcome import WALL_LOCKS, Outcome
from echotrial.scores.intervals import (
    CONFIDENCE,
    NO_INTERVAL,
    Interval,
    lower_bound,
    upper_bound,
    wilson,
)
from echotrial.scores.panel import code_of
from echotrial.scores.precision import NO_MOMENTS, Floats, Moments, moments
from echotrial.scores.rates import Rate, at_least, at_most, rate
from echotrial.scores.single import Single
from echotrial.scores.strata import Bin

#: Records that are counted at a time.
_BLOCK: Final = 1 << 16


@dataclass(frozen=True)
class InBin:
    """Rates of the decided readings, one-sided bounds of two of them, and the bias."""

    rates: dict[str, Rate]
    hit_at_least: float
    false_lock_at_most: float
    error: Moments


def in_bins(one: Single, parts: Sequence[Bin]) -> list[InBin]:
    """The parts of ONE stratum; bounds share the level among those that decide."""
    alpha = one.limits.alpha / max(1, sum(part.decides for part in parts))
    made = _by_masks if one.sampling.specimen is not None else _by_counts
    return made(one, parts, alpha)


def _by_masks(one: Single, parts: Sequence[Bin], alpha: float) -> list[InBin]:
    """Bin by bin: which specimens are in it says what its records are worth."""
    found = []
    for part in parts:
        rows, among = part.rows & one.right_echoes, part.rows & one.decided
        found.append(
            InBin(
                {name: rate(event, among, one.sampling) for name, event in one.events.items()},
                at_least(one.hit, among, one.sampling, alpha),
                at_most(one.false_lock, among, one.sampling, alpha),
                moments(one.error_um[rows], one.sampling.take(rows), bootstrap=False),
            )
        )
    return found


def _by_counts(one: Single, parts: Sequence[Bin], alpha: float) -> list[InBin]:
    """Independent records: all bins at once, of which there are a hundred a detector."""
    bins = np.array([part.code for part in parts])
    counts = _counts(one, parts)[bins]
    counted = {
        "hit": _sum(counts, (Outcome.HIT,)),
        "off": _sum(counts, (Outcome.OFF,)),
        "dropout": _sum(counts, (Outcome.DROPOUT,)),
        "false lock": _sum(counts, WALL_LOCKS),
        "thick false lock": _sum(counts[:, 1:], WALL_LOCKS),
    }
    among = counts.sum(axis=(1, 2)) - _sum(counts, (Outcome.UNDECIDED,))
    low = lower_bound(counted["hit"], among, alpha)
    high = upper_bound(counted["false lock"], among, alpha)
    errors = _moments(one, parts)
    return [
        InBin(
            {name: _rate(int(k[i]), int(among[i])) for name, k in counted.items()},
            float(low[i]),
            float(high[i]),
            errors[bin_],
        )
        for i, bin_ in enumerate(bins.tolist())
    ]


def _counts(one: Single, parts: Sequence[Bin]) -> np.ndarray:
    """Records by code of the bin, by whether they read thick, and by outcome."""
    codes, thick, outcomes = parts[0].codes, one.panel.reads_thick(one.i), one.panel.code[one.i]
    shape = (_size(parts), 2, len(Outcome))
    found = np.zeros(int(np.prod(shape)), dtype=np.intp)
    for rows in _blocks(codes.size):
        inside = codes[rows] >= 0
        where = (codes[rows][inside], thick[rows][inside], outcomes[rows][inside])
        at = np.ravel_multi_index([w.astype(np.intp) for w in where], shape)
        found += np.bincount(at, minlength=found.size)
    return found.reshape(shape)


def _size(parts: Sequence[Bin]) -> int:
    return max(part.code for part in parts) + 1


def _blocks(n: int) -> Iterator[slice]:
    """Of a million records every array counts: few are taken at a time."""
    return (slice(start, start + _BLOCK) for start in range(0, n, _BLOCK))


def _sum(counts: np.ndarray, outcomes: Iterable[Outcome]) -> np.ndarray:
    return np.asarray(counts[:, :, [code_of(o) for o in outcomes]].sum(axis=(1, 2)))


def _rate(k: int, n: int) -> Rate:
    return Rate(k, n, wilson(k, n), "" if n else "no records")


def _moments(one: Single, parts: Sequence[Bin]) -> list[Moments]:
    """Of the errors in each bin, as `precision.moments` makes them without a bootstrap."""
    codes, known = parts[0].codes, one.right_echoes & (parts[0].codes >= 0)
    size, blocks = _size(parts), list(_blocks(codes.size))

    def errors(rows: slice) -> tuple[NDArray[np.intp], Floats]:
        """Bins and errors of some of the records."""
        return codes[rows][known[rows]].astype(np.intp), one.error_um[rows][known[rows]]

    first = np.zeros(size)  # error of each bin, taken off: then sums of equal ones do not drift
    for at, error in map(errors, reversed(blocks)):
        first[at[::-1]] = error[::-1]
    n, mean, squares = np.zeros(size, np.intp), np.zeros(size), np.zeros(size)
    for at, error in map(errors, blocks):
        n += np.bincount(at, minlength=size)
        mean += np.bincount(at, weights=error - first[at], minlength=size)
    with np.errstate(divide="ignore", invalid="ignore"):  # of no reading, or of one
        mean /= n
        for at, error in map(errors, blocks):
            squares += np.bincount(at, weights=(error - first[at] - mean[at]) ** 2, minlength=size)
        mean += first
        sd = np.sqrt(squares / (n - 1))
        reach = special.stdtrit(n - 1, (1 + CONFIDENCE) / 2) * sd / np.sqrt(n)
    alike = np.sqrt(squares) <= 1e-12 * np.abs(mean)
    columns = (n, mean, sd, np.where(alike, 0.0, reach), alike)
    return [_described(*row) for row in zip(*(c.tolist() for c in columns), strict=True)]


def _described(n: int, mean: float, sd: float, reach: float, alike: bool) -> Moments:
    if n == 0:
        return NO_MOMENTS
    if n == 1:
        return Moments(1, mean, NO_INTERVAL, np.nan, "one reading")
    note = "all alike" if alike else f"Student's interval of {n} readings"
    return Moments(n, mean, Interval(mean - reach, mean + reach), sd, note)
