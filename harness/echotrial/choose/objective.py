"""How good settings look on `tune`: what trust asks for first, then hits, then error."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from echotrial.outcome import judge
from echotrial.scores import Limits, Panel, joined, panel_of
from echotrial.setup import Setup

#: Wall bins of equal count in which hits are looked at.
BINS: Final = 3


@dataclass(frozen=True, order=True)
class Objective:
    """Compared from left to right, the greater the better.

    Attributes
    ----------
    within
        How far the worst of the rates that trust limits is within its limit: 0 = all are, else
        minus the largest of log2(rate / limit).
    worst_hit
        Hit rate of the worst wall bin; half a record is taken off where nothing was read.
    precision
        Minus the root-mean-square error in um.
    """

    within: float
    worst_hit: float
    precision: float
    hit: float
    false_lock: float
    thick: float
    phantom: float

    @property
    def sentence(self) -> str:
        """The rates, in words."""
        return (
            f"hits {self.hit:.1%} (worst bin {self.worst_hit:.1%}), false locks "
            f"{self.false_lock:.2%}, too thick {self.thick:.2%}, phantoms {self.phantom:.1%}"
        )


def objective(
    readings: pd.DataFrame, truth: pd.DataFrame, setup: Setup, limits: Limits
) -> Objective:
    """Judge the readings of ONE detector on `tune`."""
    outcomes, _ = judge(readings, truth, setup)
    return of_panel(panel_of(joined(readings, outcomes, truth), setup, split="tune"), limits)


def of_panel(panel: Panel, limits: Limits) -> Objective:
    """The objective of a panel's first detector."""
    inside = panel.inside
    rows = inside & panel.decided[0]
    hit, lock = _rate(panel.hit[0], rows), _rate(panel.false_lock[0], rows)
    thick, phantom = _rate(panel.thick[0], rows), _rate(panel.phantom[0], panel.dry)
    asked = ((lock, limits.false_lock), (thick, limits.thick), (phantom, limits.phantom))
    over = [np.log2(rate / limit) for rate, limit in asked if rate > limit]
    if hit < limits.hit:  # silence is no way into the limits
        over.append(np.log2(limits.hit / max(hit, 1e-3)))
    errors = panel.error_um[0, inside & panel.right_echoes[0]]
    rms = float(np.sqrt(np.mean(errors**2))) if errors.size else np.inf
    worst = min(_rate(panel.hit[0], rows & part) for part in _bins(panel))
    return Objective(-max(over, default=0.0), worst, -rms, hit, lock, thick, phantom)


def _rate(events: np.ndarray, among: np.ndarray) -> float:
    count = int(among.sum())
    return float((events & among).sum() / count) if count else 0.0


def _bins(panel: Panel) -> list[np.ndarray]:
    wall = panel.wall_m[panel.inside]
    if wall.size < BINS:
        return [panel.inside]
    edges = np.quantile(wall, np.linspace(0, 1, BINS + 1))
    which = np.searchsorted(edges[1:-1], panel.wall_m, side="right")
    return [panel.inside & (which == i) for i in range(BINS)]
