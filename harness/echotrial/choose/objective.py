"""How good settings look on `tune`: what trust asks for first, then hits, then error."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

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
    walls
        Walls inside the range that the rates are of.
    """

    within: float
    worst_hit: float
    precision: float
    hit: float
    false_lock: float
    thick: float
    phantom: float
    walls: int = 0

    @property
    def sentence(self) -> str:
        """The rates, in words."""
        return (
            f"hits {self.hit:.1%} (worst bin {self.worst_hit:.1%}), false locks "
            f"{self.false_lock:.2%}, too thick {self.thick:.2%}, phantoms {self.phantom:.1%}"
        )


@dataclass(frozen=True, eq=False)
class PerRecord:
    """What became of each record of `tune`, to set against the same records read otherwise.

    Attributes
    ----------
    counted
        Those with a wall inside the range, on which the rates are; bool, one a record as all.
    """

    counted: NDArray[np.bool_]
    hit: NDArray[np.bool_]
    false_lock: NDArray[np.bool_]


def objectives(
    readings: pd.DataFrame, truth: pd.DataFrame, setup: Setup, limits: Limits
) -> dict[str, tuple[Objective, PerRecord]]:
    """Judge the readings of each detector on `tune`."""
    outcomes, _ = judge(readings, truth, setup)
    panel = panel_of(joined(readings, outcomes, truth), setup, split="tune")
    return {
        name: (
            of_panel(panel, limits, i),
            PerRecord(panel.inside & panel.decided[i], panel.hit[i], panel.false_lock[i]),
        )
        for i, name in enumerate(panel.detectors)
    }


def of_panel(panel: Panel, limits: Limits, which: int = 0) -> Objective:
    """The objective of one of a panel's detectors."""
    inside = panel.inside
    rows = inside & panel.decided[which]
    hit, lock = _rate(panel.hit[which], rows), _rate(panel.false_lock[which], rows)
    thick, phantom = _rate(panel.thick[which], rows), _rate(panel.phantom[which], panel.dry)
    asked = ((lock, limits.false_lock), (thick, limits.thick), (phantom, limits.phantom))
    over = [np.log2(rate / limit) for rate, limit in asked if rate > limit]
    if hit < limits.hit:  # silence is no way into the limits
        over.append(np.log2(limits.hit / max(hit, 1e-3)))
    errors = panel.error_um[which, inside & panel.right_echoes[which]]
    rms = float(np.sqrt(np.mean(errors**2))) if errors.size else np.inf
    worst = min(_rate(panel.hit[which], rows & part) for part in _bins(panel))
    walls = int(rows.sum())
    return Objective(-max(over, default=0.0), worst, -rms, hit, lock, thick, phantom, walls)


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
