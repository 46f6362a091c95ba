"""The screen height: finalists on records made anew at other gains."""

import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from scipy import stats

from echotrial.choose.crew import Answer, Crew, Step, Where
from echotrial.choose.job import Job
from echotrial.choose.objective import Objective
from echotrial.choose.search import SCREEN, Found
from echotrial.choose.variation import HEIGHT, spec_around
from echotrial.corpus.build import build
from echotrial.host import Host

#: Shares of full scale tried besides `HEIGHT`: small echoes meet the digitiser's steps, large ones
#: clip.
OTHERS: Final = (0.2, 0.4, 1.2)
#: A height takes the place of `HEIGHT` where chance would make it look better less often than
#: this, over all heights tried.
ALPHA: Final = 0.05
TIME_UP: Final = "the time limit was reached"


@dataclass(frozen=True)
class Height:
    """How the best of the finalists came out at one screen height."""

    height: float
    detector: str
    objective: Objective


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
        That of `tune`. A height is part of what records are drawn from: each has its own.
    """
    end = time.monotonic() + limit_s
    found: dict[float, list[tuple[Objective, str]]] = {}
    at: dict[Path, float] = {where.corpus: HEIGHT}

    def take(step: Step, answer: Answer) -> None:
        if not isinstance(answer, str) and not answer[0].lost:
            here = found.setdefault(at[step.where.corpus], [])
            here.append((answer[0].objective, step.detector))

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
    best = {h: max(values, key=lambda v: v[0]) for h, values in found.items()}
    if HEIGHT not in best:
        return Heights((), left="no finalist read a record of the first")
    tried = tuple(Height(h, best[h][1], best[h][0]) for h in at.values() if h in best)
    return Heights(tried, _chosen({h.height: h.objective for h in tried}))


def _made(host: Host, job: Job, height: float, folder: Path, seed: int) -> Path:
    out = folder / f"height-{100 * height:.0f}"
    spec = spec_around(host.forward_model, job, out.name, height)
    return build(host, spec, seed=seed, size={"prove": 0, "tune": SCREEN}, out=out).folder


def _chosen(tried: Mapping[float, Objective]) -> float:
    usual = tried[HEIGHT]
    level = ALPHA / len(OTHERS)
    better = {
        h: o for h, o in tried.items()
        if h != HEIGHT and o > usual and min(
            _chance(o.hit, o.walls, usual.hit, usual.walls),
            _chance(usual.false_lock, usual.walls, o.false_lock, o.walls),
        ) < level
    }  # fmt: skip
    return max(better, key=lambda h: better[h]) if better else HEIGHT


def _chance(more: float, n: int, fewer: float, m: int) -> float:
    """One-sided probability (Fisher's exact test) of rates as far apart as these by chance."""
    a, b = round(more * n), round(fewer * m)
    table = np.array([[a, n - a], [b, m - b]])
    return float(stats.fisher_exact(table, alternative="greater").pvalue)
