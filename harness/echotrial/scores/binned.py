"""What one detector did in every bin of a stratum: rates, guarantees, bias."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
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
    bins = np.array([part.code for part in parts]) + 1  # 0 = in no bin
    places = parts[0].codes.astype(np.intp) + 1
    counts = _counts(one, places)[bins]
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
    right = one.right_echoes
    errors = dict(enumerate(_moments(one.error_um[right], places[right])))
    return [
        InBin(
            {name: _rate(int(k[i]), int(among[i])) for name, k in counted.items()},
            float(low[i]),
            float(high[i]),
            errors.get(bin_, NO_MOMENTS),
        )
        for i, bin_ in enumerate(bins.tolist())
    ]


def _counts(one: Single, places: np.ndarray) -> np.ndarray:
    """Records by place, by whether they read thick, and by outcome."""
    shape = (int(places.max(initial=0)) + 1, 2, len(Outcome))
    thick = one.panel.reads_thick(one.i)
    at = np.ravel_multi_index((places, thick.astype(np.intp), one.panel.code[one.i]), shape)
    return np.bincount(at, minlength=int(np.prod(shape))).reshape(shape)


def _sum(counts: np.ndarray, outcomes: Iterable[Outcome]) -> np.ndarray:
    return np.asarray(counts[:, :, [code_of(o) for o in outcomes]].sum(axis=(1, 2)))


def _rate(k: int, n: int) -> Rate:
    return Rate(k, n, wilson(k, n), "" if n else "no records")


def _moments(error: Floats, places: np.ndarray) -> list[Moments]:
    """Of the errors at each place, as `precision.moments` makes them without a bootstrap."""
    n = np.bincount(places)
    first = np.zeros(n.size)
    first[places[::-1]] = error[::-1]  # taken off, so that sums of equal errors do not drift
    with np.errstate(divide="ignore", invalid="ignore"):  # of no reading, or of one
        mean = first + np.bincount(places, weights=error - first[places]) / n
        squares = np.bincount(places, weights=(error - mean[places]) ** 2)
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
