"""Which detector can be trusted on a corpus: the highest guaranteed hits of those that do not lie.

A detector that never answers and one that always answers both lose: the first has no hits, the
second has false locks. Bounds are Clopper-Pearson at one-sided 95 %; where a claim is made of
several strata at once each is held to 5 % / (number of strata) (Bonferroni). They hold for each
detector by itself: the best of many looks better than it is, so prove few finalists, on records
that had no part in choosing them.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import Final

import numpy as np
from scipy import special

from echotrial.scores.intervals import ALPHA
from echotrial.scores.panel import Panel
from echotrial.scores.rates import at_least, at_most
from echotrial.scores.sampling import Bools, Sampling

#: Most wall bins that trust is asked of.
MAX_BINS: Final = 6
#: Times that differ by less than this factor are alike: a busy machine makes as much of them.
ABOUT_AS_LONG: Final = 1.5


@dataclass(frozen=True)
class Limits:
    """What trust asks for. Rates are of wall records inside the set-up's range."""

    false_lock: float = 0.01
    thick: float = 0.005
    phantom: float = 0.05
    hit: float = 0.50
    wall_records: int = 600
    dry_records: int = 150
    alpha: float = ALPHA


class Answer(StrEnum):
    """What a verdict comes to."""

    TRUST = "trust"
    NONE = "none of these"
    TOO_FEW = "not enough records to say"


@dataclass(frozen=True, eq=False)
class Stratum:
    """Wall records that trust is asked of: the whole, or one bin of the wall."""

    name: str
    rows: Bools


@dataclass(frozen=True)
class Assessment:
    """What is guaranteed of one detector, and why it is not eligible (empty = it is)."""

    detector: str
    false_lock: float
    false_lock_in: str
    thick: float
    phantom: float
    hit: float
    worst_hit: float
    worst_hit_in: str
    rms_um: float
    failures: tuple[str, ...]
    rank: int = 0  # 1 = the choice; 0 = not eligible

    @property
    def eligible(self) -> bool:
        """Whether it may be trusted."""
        return not self.failures


@dataclass(frozen=True)
class Verdict:
    """The answer for one corpus; `sentence` says it whole."""

    corpus: str
    answer: Answer
    detector: str | None
    sentence: str
    assessments: tuple[Assessment, ...]
    strata: int
    wall_records: int
    dry_records: int


def strata_of(panel: Panel, limits: Limits) -> list[Stratum]:
    """Give the whole, then up to six wall bins of equal count with enough records each."""
    whole = Stratum("all walls in range", panel.inside)
    count = min(MAX_BINS, int(panel.inside.sum()) // limits.wall_records)
    if count < 2:
        return [whole]
    unit = panel.setup.length_unit
    wall = panel.wall_m / {"mm": 1e-3, "in": 0.0254}[unit]
    edges = np.quantile(wall[panel.inside], np.linspace(0, 1, count + 1))
    which = np.searchsorted(edges[1:-1], wall, side="right")
    bins = [
        Stratum(f"{low:.3g} to {high:.3g} {unit}", panel.inside & (which == i))
        for i, (low, high) in enumerate(pairwise(edges))
    ]
    return [whole, *(b for b in bins if b.rows.any())]


def trust(
    panel: Panel,
    sampling: Sampling,
    limits: Limits | None = None,
    seconds: Mapping[str, float] | None = None,
) -> Verdict:
    """Judge all detectors of a panel.

    Parameters
    ----------
    panel, sampling
        Readings of the `prove` split.
    limits
        What is asked for.
    seconds
        Time a record of each detector, for the last tie.
    """
    limits = limits or Limits()
    strata = strata_of(panel, limits)
    found = [_assess(panel, i, strata, sampling, limits) for i in range(len(panel.detectors))]
    walls, dry = int(panel.inside.sum()), int(panel.dry.sum())
    lacking = _lacking(panel, sampling, limits)
    if not lacking:
        ranks = _ranks(panel, sampling, found, strata, seconds or {})
        found = [_ranked(a, ranks) for a in found]
    best = next((a for a in found if a.rank == 1), None)
    answer = Answer.TOO_FEW if lacking else Answer.TRUST if best else Answer.NONE
    sentence = _sentence(panel.corpus, answer, best, found, lacking, len(strata), walls)
    name = best.detector if best else None
    return Verdict(panel.corpus, answer, name, sentence, tuple(found), len(strata), walls, dry)


def _ranked(found: Assessment, ranks: Mapping[str, int]) -> Assessment:
    return Assessment(**{**vars(found), "rank": ranks.get(found.detector, 0)})


def _lacking(panel: Panel, sampling: Sampling, limits: Limits) -> str:
    """Why the records are not enough, in words; empty if they are."""
    walls, dry = int(panel.inside.sum()), int(panel.dry.sum())
    if not panel.detectors:
        return "no detector ran"
    if walls < limits.wall_records:
        return f"{walls} walls in range, {limits.wall_records} wanted"
    if dry < limits.dry_records:
        return f"{dry} dry records, {limits.dry_records} wanted"
    if sampling.specimen is not None and np.unique(sampling.specimen[panel.inside]).size < 2:
        return "all of one specimen"
    return ""


def _assess(
    panel: Panel, i: int, strata: list[Stratum], sampling: Sampling, limits: Limits
) -> Assessment:
    alpha, shared = limits.alpha, limits.alpha / len(strata)
    hit, locks, decided = panel.hit[i], panel.false_lock[i], panel.decided[i]
    rows = [(s.name, s.rows & decided) for s in strata]
    whole = rows[0][1]
    locked = {name: at_most(locks, among, sampling, shared) for name, among in rows}
    hits = {name: at_least(hit, among, sampling, shared) for name, among in rows}
    worst_lock, worst_hit = _worst(locked, 1), _worst(hits, -1)
    thick = at_most(panel.thick[i], whole, sampling, alpha)
    phantom = at_most(panel.phantom[i], panel.dry, sampling, alpha)
    overall = at_least(hit, whole, sampling, alpha)
    failures = []
    if not locked[worst_lock] < limits.false_lock:
        lock_rows = dict(rows)[worst_lock]
        failures.append(
            f"false locks {_count(locks, lock_rows)} ({worst_lock}): "
            f"up to {locked[worst_lock]:.2%}, limit {limits.false_lock:.2%}"
        )
    if not thick < limits.thick:
        failures.append(f"thick false locks up to {thick:.2%}, limit {limits.thick:.2%}")
    if not phantom < limits.phantom:
        failures.append(f"phantoms on dry records up to {phantom:.1%}, limit {limits.phantom:.0%}")
    if not overall >= limits.hit:
        failures.append(f"hits {overall:.1%} or more, {limits.hit:.0%} wanted")
    return Assessment(
        panel.detectors[i], locked[worst_lock], worst_lock, thick, phantom, overall,
        hits[worst_hit], worst_hit, _rms(panel, i, panel.inside), tuple(failures),
    )  # fmt: skip


def _count(events: Bools, among: Bools) -> str:
    return f"{int((events & among).sum())} of {int(among.sum())}"


def _worst(values: dict[str, float], sign: int) -> str:
    """Key of the highest (sign 1) or lowest (-1) value; one without evidence is the worst."""
    return max(values, key=lambda k: np.inf if np.isnan(values[k]) else sign * values[k])


def _rms(panel: Panel, i: int, rows: Bools) -> float:
    errors = panel.error_um[i, rows & panel.right_echoes[i]]
    return float(np.sqrt(np.mean(errors**2))) if errors.size else np.nan


def _ranks(
    panel: Panel,
    sampling: Sampling,
    found: list[Assessment],
    strata: list[Stratum],
    seconds: Mapping[str, float],
) -> dict[str, int]:
    """Rank by repeated choice among those that are left."""
    rows = {s.name: s.rows for s in strata}
    left = [a for a in found if a.eligible]
    ranks: dict[str, int] = {}
    while left:
        leader = max(left, key=lambda a: a.worst_hit)
        tied = [a for a in left if _hits_tie(panel, sampling, leader, a, rows[a.worst_hit_in])]
        precise = min(tied, key=lambda a: a.rms_um)
        tied = [a for a in tied if _errors_tie(panel, precise, a)]
        timed = [a for a in tied if a.detector in seconds]
        best = _quickest(timed, seconds) if timed else precise
        ranks[best.detector] = len(ranks) + 1
        left.remove(best)
    return ranks


def _quickest(timed: list[Assessment], seconds: Mapping[str, float]) -> Assessment:
    """The first of those about as fast as the fastest: a choice must not hang on noise."""
    fastest = min(seconds[a.detector] for a in timed)
    return next(a for a in timed if not seconds[a.detector] > ABOUT_AS_LONG * fastest)


def _hits_tie(
    panel: Panel, sampling: Sampling, leader: Assessment, other: Assessment, rows: Bools
) -> bool:
    """Whether the leader's lead on the stratum that puts the other behind may be chance.

    Exact McNemar test (binomial on the discordant records) at 5 %, on the same records; of
    clustered records, on the specimens of which one or the other hits more.
    """
    first, second = (panel.hit[panel.detectors.index(a.detector), rows] for a in (leader, other))
    lead = first.astype(np.int64) - second
    if sampling.specimen is not None:
        lead = np.bincount(sampling.specimen[rows], weights=lead)
    wins, losses = int((lead > 0).sum()), int((lead < 0).sum())
    return 2 * float(special.bdtr(min(wins, losses), wins + losses, 0.5)) > ALPHA


def _errors_tie(panel: Panel, precise: Assessment, other: Assessment) -> bool:
    """Whether squared errors differ by chance only: paired t test at 5 % on shared readings."""
    i, j = (panel.detectors.index(a.detector) for a in (precise, other))
    both = panel.inside & panel.right_echoes[i] & panel.right_echoes[j]
    gain = panel.error_um[j, both] ** 2 - panel.error_um[i, both] ** 2
    if gain.size < 2 or np.ptp(gain) == 0:
        return bool(not gain.size or gain[0] == 0)
    t = float(gain.mean() / gain.std(ddof=1)) * gain.size**0.5
    return 2 * float(special.stdtr(gain.size - 1, -abs(t))) > ALPHA


def _sentence(
    corpus: str,
    answer: Answer,
    best: Assessment | None,
    found: list[Assessment],
    lacking: str,
    strata: int,
    walls: int,
) -> str:
    if answer is Answer.TOO_FEW:
        return f"{corpus}: not enough records to say ({lacking})."
    if best is None:
        nearest = min(found, key=lambda a: (len(a.failures), -a.hit))
        why = "; ".join(nearest.failures)
        return f"{corpus}: none of these can be trusted; {nearest.detector} comes nearest: {why}."
    scope = f"{strata} strata" if strata > 1 else "one stratum"
    return (
        f"{corpus}: trust {best.detector}: on {walls} walls in {scope}, at 95 % confidence, it "
        f"hits {best.worst_hit:.1%} or more in the worst ({best.worst_hit_in}) and lies on "
        f"{best.false_lock:.2%} or fewer ({best.false_lock_in})."
    )
