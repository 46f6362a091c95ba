"""Rows about parts of a corpus: walls outside the range, no wall, and every stratum's bins."""

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from echotrial.outcome import Outcome
from echotrial.scores.measures import WHOLE
from echotrial.scores.precision import moments
from echotrial.scores.rates import at_least, at_most
from echotrial.scores.rows import EXACT, Row, Where, rate_rows
from echotrial.scores.single import Single
from echotrial.scores.strata import Bin


def apart_rows(one: Single) -> Iterator[Row]:
    """Walls outside the range, where silence is right, and records without a wall."""
    panel, events = one.panel, _events(one)
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


def _events(one: Single) -> dict[str, np.ndarray]:
    return {
        "hit": one.hit,
        "off": one.outcome(Outcome.OFF),
        "dropout": one.outcome(Outcome.DROPOUT),
        "false lock": one.false_lock,
        "thick false lock": one.thick,
    }


def strata_rows(one: Single, bins: Sequence[Bin]) -> Iterator[Row]:
    """Rates, simultaneous guarantees and precision in every bin; then the worst bins."""
    events, rows = _events(one), []
    for part in bins:
        where, among = Where(part.stratum, part.name), part.rows & one.decided
        few = "" if part.decides else "too few to decide"
        found = rate_rows(where, among, events, one.sampling, few)
        rows += found if part.decides else []
        yield from found
        if part.decides:
            siblings = sum(b.stratum == part.stratum and b.decides for b in bins)
            yield from _guarantees(one, where, among, siblings)
        yield from _precision(one, where, part.rows, few)
    yield from _worst(rows)


def _guarantees(one: Single, where: Where, among: np.ndarray, siblings: int) -> Iterator[Row]:
    alpha, n = one.limits.alpha / siblings, int(np.count_nonzero(among))
    note = f"{EXACT}, simultaneous over {siblings} bins"
    low = at_least(one.hit, among, one.sampling, alpha)
    high = at_most(one.false_lock, among, one.sampling, alpha)
    yield Row(where, "hit at least", low, denominator=n, note=note)
    yield Row(where, "false lock at most", high, denominator=n, note=note)


def _precision(one: Single, where: Where, part: np.ndarray, note: str) -> Iterator[Row]:
    rows = part & one.right_echoes
    found = moments(one.error_um[rows], one.sampling.take(rows), bootstrap=False)
    words = "; ".join(filter(None, (note, found.note)))
    yield Row(where, "bias", found.bias, found.bias_interval, denominator=found.n, unit="um",
              note=words)  # fmt: skip
    yield Row(where, "sd", found.sd, denominator=found.n, unit="um", note=note)


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
