"""Where the user's own recordings disagree with the simulation, record by record."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from scipy import stats

from echotrial.trial import Trial

#: Hit rates that differ less often by chance than this disagree.
ALPHA: Final = 0.05


@dataclass(frozen=True)
class Disagreement:
    """One detector on one recorded corpus against the corpus around the set-up.

    Attributes
    ----------
    recorded, simulated
        (hits, walls inside the range).
    p_value
        Exact test of Fisher: recordings hit less or more often than simulation says. Traces of
        one block are not independent, so it errs towards seeing a disagreement.
    rows
        Recorded walls that were not hit: record, specimen, outcome, true and read thickness.
    """

    detector: str
    corpus: str
    recorded: tuple[int, int]
    simulated: tuple[int, int]
    p_value: float
    rows: pd.DataFrame

    @property
    def sentence(self) -> str:
        """In words."""
        (a, n), (b, m) = self.recorded, self.simulated
        word = "disagrees with" if self.p_value < ALPHA else "is in keeping with"
        return (
            f"{self.corpus}: {self.detector} hits {a} of {n} recorded walls; this {word} the "
            f"simulation's {b} of {m} (Fisher's exact test, p = {self.p_value:.2g})."
        )


def disagreement(
    trial: Trial, detector: str, recorded: str, simulated: str, wall_range_m: tuple[float, float]
) -> Disagreement:
    """Compare a detector's hits on walls inside the range."""
    own = _walls(trial, detector, recorded, wall_range_m)
    made = _walls(trial, detector, simulated, wall_range_m)
    counts = [(int((w["outcome"] == "hit").sum()), len(w)) for w in (own, made)]
    table = np.array([[hits, n - hits] for hits, n in counts])
    p = float(stats.fisher_exact(table).pvalue) if len(own) and len(made) else 1.0
    columns = ["record", "specimen", "outcome", "true_mm", "thickness_mm", "reason"]
    rows = own.loc[own["outcome"] != "hit", columns]
    return Disagreement(detector, recorded, counts[0], counts[1], p, rows.reset_index(drop=True))


def _walls(
    trial: Trial, detector: str, corpus: str, wall_range_m: tuple[float, float]
) -> pd.DataFrame:
    readings, truth = trial.readings, trial.records
    own = readings[(readings["corpus"] == corpus) & (readings["detector"] == detector)]
    own = own[own["split"] == "prove"].assign(outcome=own["outcome"].astype(str))
    known = truth[truth["corpus"] == corpus].rename(columns={"thickness_mm": "true_mm"})
    if "specimen" not in known:
        known = known.assign(specimen="")
    both = own.merge(known[["record", "true_mm", "specimen"]], on="record")
    low, high = (1e3 * w for w in wall_range_m)
    return both[both["true_mm"].between(low - 1e-9, high + 1e-9)]
