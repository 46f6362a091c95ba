"""Findings about rates: hits, false locks, thick ones, dropouts, phantoms."""

import math
from collections.abc import Iterator
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from echotrial.compare import rate_difference, specimens
from echotrial.compare.finding import Finding
from echotrial.compare.margins import Margins
from echotrial.compare.mcnemar import mcnemar
from echotrial.compare.mean_shift import mean_of
from echotrial.compare.pairs import Bools, Pair
from echotrial.compare.rate_difference import Discordant
from echotrial.compare.side import Answers
from echotrial.outcome import WALL_LOCKS, Outcome

Floats = NDArray[np.float64]


class RateQuantity(NamedTuple):
    """An outcome that matters, and whether more of it is worse."""

    name: str
    outcomes: tuple[Outcome, ...]
    more_is_worse: bool
    thick_only: bool = False

    def events(self, answers: Answers) -> Bools:
        """Where it happened, (n,)."""
        found = answers.among(self.outcomes)
        return found & answers.thick if self.thick_only else found

    def among(self, pair: Pair) -> Bools:
        """Records where it could, (n,)."""
        if self.outcomes == (Outcome.PHANTOM,):
            return np.isnan(pair.wall_mm)
        return pair.inside & pair.decided


LOCKS: Final = tuple(sorted(WALL_LOCKS))
QUANTITIES: Final = (
    RateQuantity("hit", (Outcome.HIT,), more_is_worse=False),
    RateQuantity("false lock", LOCKS, more_is_worse=True),
    RateQuantity("thick false lock", LOCKS, more_is_worse=True, thick_only=True),
    RateQuantity("dropout", (Outcome.DROPOUT,), more_is_worse=True),
    RateQuantity("phantom", (Outcome.PHANTOM,), more_is_worse=True),
)


def rate_findings(pair: Pair, margins: Margins) -> Iterator[Finding]:
    """Exact McNemar, Tango's interval and equivalence for every rate."""
    for quantity in QUANTITIES:
        yield _finding(pair, quantity, getattr(margins, quantity.name.replace(" ", "_")))


def _finding(pair: Pair, quantity: RateQuantity, margin: float) -> Finding:
    among = quantity.among(pair)
    before, after = quantity.events(pair.before)[among], quantity.events(pair.after)[among]
    more, fewer = int((after & ~before).sum()), int((before & ~after).sum())
    n = before.size
    change = after.astype(float) - before
    unit = None if pair.unit is None else np.unique(pair.unit[among], return_inverse=True)[1]
    net = change if unit is None else specimens.sums(unit, change)
    up, down = int((net > 0).sum()), int((net < 0).sum())
    pairs = discordant(n, more, fewer, change, unit)
    effect = (more - fewer) / n if n else math.nan
    return Finding(
        pair.corpus,
        pair.detector,
        quantity.name,
        "1",
        len(pair),
        n,
        up + down,
        float(before.mean()) if n else math.nan,
        float(after.mean()) if n else math.nan,
        effect,
        rate_difference.interval(pairs),
        margin,
        mcnemar(up, down),
        rate_difference.equivalence(pairs, margin),
        (effect > 0) == quantity.more_is_worse,
        _sd_one(pairs),
        "exact McNemar" + ("" if unit is None else ", specimens by their sign"),
        more,
        fewer,
    )


def discordant(
    n: int, more: int, fewer: int, change: Floats, unit: NDArray[np.intp] | None
) -> Discordant:
    """Counts that an interval for independent records may be made of.

    Records of one specimen are worth n times the variance that independent ones would have over
    the one that specimens show (E. Korn, B. Graubard, Survey Methodology 24 (1998) 193-201, from
    memory), never more than n; where no variance can be seen each specimen counts once.
    """
    if unit is None or n == 0:
        return Discordant(n, more, fewer)
    found = mean_of(specimens.sums(unit, change), specimens.counts(unit))
    alone = ((more + fewer) / n - ((more - fewer) / n) ** 2) / n
    worth = float(unit.max() + 1) if not found.error > 0 else min(n, n * alone / found.error**2)
    return Discordant(worth, more * worth / n, fewer * worth / n)


def _sd_one(pairs: Discordant) -> float:
    if not pairs.n > 0:
        return math.nan
    share = (pairs.more + pairs.fewer) / pairs.n
    return math.sqrt(max(share - pairs.difference**2, 0.0))
