"""How much evidence records are: traces of one specimen are not so many independent ones."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from echotrial.scores.intervals import ALPHA

Bools = NDArray[np.bool_]


class Evidence(NamedTuple):
    """`k` events in `n` independent records, or what they are worth; n = 0: no evidence."""

    k: float
    n: float
    note: str = ""


@dataclass(frozen=True, eq=False)
class Sampling:
    """Which specimen each record is of; None = every record is independent of the others."""

    specimen: NDArray[np.intp] | None = None

    @classmethod
    def of(cls, truth: pd.DataFrame, origin: str) -> "Sampling":
        """Synthetic records are independent; others are clustered by the column ``specimen``."""
        if origin == "synthetic" or "specimen" not in truth:
            return cls()
        codes = pd.factorize(truth["specimen"], use_na_sentinel=False)[0]
        return cls(codes.astype(np.intp))

    def take(self, rows: Bools) -> "Sampling":
        """The sampling of some of the records."""
        return Sampling(None if self.specimen is None else self.specimen[rows])

    def evidence(self, events: Bools, among: Bools, alpha: float = ALPHA) -> Evidence:
        """Give the counts that an interval for independent records may be computed from.

        Clustered records have the effective size of E. Korn and B. Graubard, Survey Methodology 24
        (1998) 193-201 (from memory): n* = p (1 - p) / var(p) with the between-specimen variance of
        the ratio p, never above n, times the squared ratio of Student's quantiles with n - 1 and
        with specimens - 1 degrees of freedom. Where no variance can be seen (p is 0 or 1) every
        specimen counts once, as if its traces were copies: that is the careful end.

        Parameters
        ----------
        events, among
            (n,) bool: what counts, and which records could.
        alpha
            One-sided level of the interval to be made.
        """
        n, k = int(np.count_nonzero(among)), int(np.count_nonzero(events & among))
        if self.specimen is None or n == 0:
            return Evidence(k, n)
        codes = np.unique(self.specimen[among], return_inverse=True)[1]
        clusters = int(codes.max()) + 1
        if clusters == 1:
            return Evidence(0, 0, "one specimen: no interval")
        note = f"clustered by {clusters} specimens"
        if clusters == n:
            return Evidence(k, n, note)
        p = k / n
        size = np.bincount(codes)
        excess = np.bincount(codes, weights=events[among]) - p * size
        variance = clusters / (clusters - 1) * float(excess @ excess) / n**2
        if k in (0, n):
            return Evidence(p * clusters, clusters, note)
        worth = min(n, p * (1 - p) / variance) if variance > 0 else n
        all_records, between = special.stdtrit([n - 1, clusters - 1], 1 - alpha)
        worth *= float(all_records / between) ** 2
        return Evidence(p * worth, worth, note)
