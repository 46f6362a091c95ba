"""The screen height: finalists on the same records, made anew at other gains."""

import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from echotrial.choose.crew import Answer, Crew, Step, Where
from echotrial.choose.job import Job
from echotrial.choose.objective import Objective, PerRecord
from echotrial.choose.search import SCREEN, Found
from echotrial.choose.variation import HEIGHT, spec_around
from echotrial.corpus.build import build
from echotrial.host import Host

Bools = NDArray[np.bool_]
#: Shares of full scale tried besides `HEIGHT`: small echoes meet the digitiser's steps, large ones
#: clip.
OTHERS: Final = (0.2, 0.4, 1.2)
#: A height takes the place of `HEIGHT` where chance would make it look better less often than
#: this, over all heights tried and both questions asked of each (hits, false locks).
ALPHA: Final = 0.05
TIME_UP: Final = "the time limit was reached"


@dataclass(frozen=True)
class Height:
    """How the best of the finalists came out at one screen height."""

    height: float
    detector: str
    objective: Objective
    per_record: PerRecord = field(compare=False, repr=False)


@dataclass(frozen=True)
class Heights:
    """All heights tried, the usual one first, and the one that is chosen."""

    tried: tuple[Height, ...]
    chosen: float = HEIGHT
    left: str = ""

    @property
    def sentence(self) -> str:
        """What was found, in words."""
        if self.left:
            return f"Screen height: {HEIGHT:.0%} (other heights were not tried: {self.left})."
        hits = ", ".join(f"{h.height:.0%}: {h.objective.hit:.1%} hits" for h in self.tried)
        why = (
            "no other is better by more than chance"
            if self.chosen == HEIGHT
            else f"better than {HEIGHT:.0%} by more than chance"
        )
        return f"Screen height: {self.chosen:.0%}, {why} ({hits})."


def heights(
    host: Host, job: Job, finalists: Sequence[Found], where: Where, crew: Crew, limit_s: float,
    folder: Path, seed: int = 0,
) -> Heights:  # fmt: skip
    """Try the finalists on the first records of `tune`, and on as many made at each other height.

    Parameters
    ----------
    seed
        That of `tune`: walls, noise and all else but the gain are then the same at each height.
    """
    end = time.monotonic() + limit_s
    found: dict[float, list[Height]] = {}
    at: dict[Path, float] = {where.corpus: HEIGHT}

    def take(step: Step, answer: Answer) -> None:
        if isinstance(answer, str):
            return
        height, judged = at[step.where.corpus], answer[0]
        if judged.lost or judged.per_record is None:
            return
        one = Height(height, step.detector, judged.objective, judged.per_record)
        found.setdefault(height, []).append(one)

    for other in OTHERS:
        if time.monotonic() >= end:
            return Heights((), left=TIME_UP)
        at[_made(host, job, other, folder, seed)] = other
    steps = [
        Step(Where(c, where.plugins, where.entry_points, (), where.limits), f.detector,
             (f.settings,), SCREEN)
        for c in at
        for f in finalists
    ]  # fmt: skip
    if crew.run(steps, end - time.monotonic(), take):
        return Heights((), left=TIME_UP)
    best = {h: max(values, key=lambda v: v.objective) for h, values in found.items()}
    if HEIGHT not in best:
        return Heights((), left="no finalist read a record of the first")
    tried = tuple(best[h] for h in at.values() if h in best)
    return Heights(tried, _chosen(tried))


def _made(host: Host, job: Job, height: float, folder: Path, seed: int) -> Path:
    out = folder / f"height-{100 * height:.0f}"
    spec = spec_around(host.forward_model, job, out.name, height)
    return build(host, spec, seed=seed, size={"prove": 0, "tune": SCREEN}, out=out).folder


def _chosen(tried: Sequence[Height]) -> float:
    (usual,) = (h for h in tried if h.height == HEIGHT)
    level = ALPHA / (2 * len(OTHERS))
    better = [
        h for h in tried
        if h.objective > usual.objective and min(_chances(h.per_record, usual.per_record)) < level
    ]  # fmt: skip
    return max(better, key=lambda h: h.objective).height if better else HEIGHT


def _chances(new: PerRecord, old: PerRecord) -> tuple[float, float]:
    """By what chance so many more hits, and so many fewer false locks, would come about.

    One-sided exact McNemar tests (Psychometrika 12 (1947) 153) on the records of both; a small
    `tune` has fewer of them than the other heights.
    """
    shared = slice(min(new.counted.size, old.counted.size))
    both = new.counted[shared] & old.counted[shared]
    return (
        _chance(new.hit[shared], old.hit[shared], both),
        _chance(old.false_lock[shared], new.false_lock[shared], both),
    )


def _chance(more: Bools, fewer: Bools, among: Bools) -> float:
    up, down = (int((a & ~b & among).sum()) for a, b in ((more, fewer), (fewer, more)))
    if up + down == 0:
        return 1.0
    return float(stats.binomtest(up, up + down, alternative="greater").pvalue)
