"""Rows about parts of a corpus: walls outside the range, no wall, and every stratum's bins."""

from collections.abc import Iterator, Sequence
from itertools import groupby

import pandas as pd

from echotrial.outcome import Outcome
from echotrial.scores.binned import InBin, in_bins
from echotrial.scores.measures import WHOLE
from echotrial.scores.rates import at_most
from echotrial.scores.rows import EXACT, Row, Where, rate_row, rate_rows
from echotrial.scores.single import Single
from echotrial.scores.strata import Bin


def apart_rows(one: Single) -> Iterator[Row]:
    """Walls outside the range, where silence is right, and records without a wall."""
    panel, events = one.panel, one.events
    low, high = panel.setup.wall_range
    for name, rows in {"thinner": panel.wall_m < low, "thicker": panel.wall_m > high}.items():
        among = rows & ~panel.inside & one.decided
        yield from rate_rows(Where("range", name), among, events, one.sampling)
    phantom = one.phantom
    events = {"phantom": phantom, "quiet": one.outcome(Outcome.QUIET)}
    kinds = {"": panel.no_wall, "dry": panel.dry, "wet tip": panel.no_wall & ~panel.dry}
    for name, rows in kinds.items():
        yield from rate_rows(Where("no wall", name), rows, events, one.sampling)
    bound = at_most(phantom, panel.dry, one.sampling, one.limits.alpha)
    yield Row(Where("no wall", "dry"), "phantom at most", bound,
              denominator=int(panel.dry.sum()), note=EXACT)  # fmt: skip


def strata_rows(one: Single, bins: Sequence[Bin]) -> Iterator[Row]:
    """Rates, simultaneous guarantees and precision in every bin; then the worst bins."""
    rows = []
    for _, siblings in groupby(bins, lambda part: part.stratum):
        parts = list(siblings)
        deciding = sum(part.decides for part in parts)
        for part, found in zip(parts, in_bins(one, parts), strict=True):
            where, few = Where(part.stratum, part.name), "" if part.decides else "too few to decide"
            rates = [rate_row(where, name, r, few) for name, r in found.rates.items()]
            yield from rates
            if part.decides:
                rows += rates
                yield from _guarantees(where, found, deciding)
            yield from _precision(where, found, few)
    yield from _worst(rows)


def _guarantees(where: Where, found: InBin, siblings: int) -> Iterator[Row]:
    n, note = found.rates["hit"].denominator, f"{EXACT}, simultaneous over {siblings} bins"
    yield Row(where, "hit at least", found.hit_at_least, denominator=n, note=note)
    yield Row(where, "false lock at most", found.false_lock_at_most, denominator=n, note=note)


def _precision(where: Where, found: InBin, note: str) -> Iterator[Row]:
    error = found.error
    words = "; ".join(filter(None, (note, error.note)))
    yield Row(where, "bias", error.bias, error.bias_interval, denominator=error.n, unit="um",
              note=words)  # fmt: skip
    yield Row(where, "sd", error.sd, denominator=error.n, unit="um", note=note)


def _worst(rows: Sequence[Row]) -> Iterator[Row]:
    """Name the bin with the fewest hits and the one with the most false locks.

    By the end of the interval that speaks against the detector, so that a bin does not get the
    name by chance of being small.
    """
    for measure, end, sign in (("hit", "high", -1), ("false lock", "low", 1)):
        known = [r for r in rows if r.measure == measure and not pd.isna(r.interval.low)]
        if known:
            bad = max(known, key=lambda r: sign * getattr(r.interval, end))
            alike = len({r.value for r in known}) == 1
            name = "all alike" if alike else f"{bad.where.stratum} {bad.where.bin}"
            yield Row(Where(WHOLE), f"worst stratum {measure}", bad.value, bad.interval,
                      bad.numerator, bad.denominator, note=name)  # fmt: skip
