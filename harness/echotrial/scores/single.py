"""One detector of a panel, and the truth it is scored against."""

from functools import cached_property

import numpy as np

from echotrial.outcome import WALL_LOCKS, Outcome
from echotrial.scores.panel import GIVEN, RIGHT_ECHOES, Floats, Panel
from echotrial.scores.sampling import Bools, Sampling
from echotrial.scores.trend import velocity_part_um
from echotrial.scores.verdict import Limits


class Single:
    """Row `i` of a panel; every array is (n,)."""

    def __init__(self, panel: Panel, i: int, sampling: Sampling, limits: Limits) -> None:
        self.panel, self.i, self.sampling, self.limits = panel, i, sampling, limits
        self.hit, self.false_lock = self.outcome(Outcome.HIT), panel.among_of(i, WALL_LOCKS)
        self.thick = self.false_lock & panel.reads_thick(i)
        self.decided = ~self.outcome(Outcome.UNDECIDED)
        self.right_echoes = panel.among_of(i, RIGHT_ECHOES)
        self.error_um = np.asarray(panel.error_um[i], dtype=np.float64)
        self.walls = panel.inside & self.decided  # denominator of every rate on walls

    def outcome(self, outcome: Outcome) -> Bools:
        """Where this is the outcome."""
        return self.panel.among_of(self.i, [outcome])

    @cached_property
    def events(self) -> dict[str, Bools]:
        """What is counted on walls, by its name."""
        return {
            "hit": self.hit,
            "off": self.outcome(Outcome.OFF),
            "dropout": self.outcome(Outcome.DROPOUT),
            "false lock": self.false_lock,
            "thick false lock": self.thick,
        }

    @property
    def given(self) -> Bools:
        """Readings that can be right or wrong: all but undecided ones."""
        return self.panel.among_of(self.i, GIVEN)

    @property
    def phantom(self) -> Bools:
        """Readings of no wall."""
        return self.outcome(Outcome.PHANTOM)

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
