"""McNemar's test on the records that two trials answer differently."""

from typing import Literal

import numpy as np
from scipy import special, stats

Method = Literal["exact", "mid-p", "asymptotic"]


def mcnemar(more: int, fewer: int, method: Method = "exact") -> float:
    """Two-sided p-value that neither direction of change is the more likely one.

    Q. McNemar, Psychometrika 12 (1947) 153-157; forms as in M. Fagerland, S. Lydersen, P. Laake,
    BMC Med. Res. Methodol. 13 (2013) 91. A verdict rests on the exact form.

    Parameters
    ----------
    more, fewer
        Pairs (or specimens) with the event in B alone, and in A alone.

    Returns
    -------
    float
        1 where nothing differs.
    """
    n = more + fewer
    if n == 0:
        return 1.0
    if method == "asymptotic":
        return float(special.chdtrc(1, (more - fewer) ** 2 / n))
    exact = min(1.0, 2 * float(special.bdtr(min(more, fewer), n, 0.5)))
    if method == "exact":
        return exact
    seen = float(stats.binom.pmf(more, n, 0.5))
    return exact - (seen / 2 if more == fewer else seen)


def least_p(differing: int) -> float:
    """Least two-sided p-value that signs of so many differences can give: 2^(1 - n)."""
    return float(np.minimum(1.0, 2.0 ** (1 - differing)))
