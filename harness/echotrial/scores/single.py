"""One detector of a panel, and the truth it is scored against."""

from functools import cached_property

import numpy as np

from echotrial.outcome import Outcome
from echotrial.scores.panel import Floats, Panel
from echotrial.scores.sampling import Bools, Sampling
from echotrial.scores.trend import velocity_part_um
from echotrial.scores.trust import Limits


class Single:
    """Row `i` of a panel; every array is (n,)."""

    def __init__(self, panel: Panel, i: int, sampling: Sampling, limits: Limits) -> None:
        self.panel, self.i, self.sampling, self.limits = panel, i, sampling, limits
        self.hit, self.false_lock, self.thick = panel.hit[i], panel.false_lock[i], panel.thick[i]
        self.decided, self.right_echoes = panel.decided[i], panel.right_echoes[i]
        self.error_um = panel.error_um[i]
        self.walls = panel.inside & self.decided  # denominator of every rate on walls

    def outcome(self, outcome: Outcome) -> Bools:
        """Where this is the outcome."""
        return self.panel.among_of(self.i, [outcome])

    @cached_property
    def given(self) -> Bools:
        """Readings that can be right or wrong: all but undecided ones."""
        found: Bools = self.panel.given[self.i]
        return found

    @cached_property
    def wall_um(self) -> Floats:
        """True walls."""
        return self.panel.wall_m * 1e6

    @cached_property
    def velocity_um(self) -> Floats:
        """Error that a wrong set-up velocity explains; NaN where the true one is not known."""
        true = self.truth("velocity_true_m_s")
        return velocity_part_um(self.wall_um, self.panel.setup.velocity, true)

    def truth(self, name: str) -> Floats:
        """A column of the truth, all NaN where there is none."""
        if name not in self.panel.truth:
            return np.full(len(self.panel), np.nan)
        return np.asarray(self.panel.truth[name], dtype=np.float64)
