"""Change of the mean error: paired t test and two one-sided t tests."""

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special

Floats = NDArray[np.float64]


class Estimate(NamedTuple):
    """An estimate, its standard error and the degrees of freedom of that."""

    value: float
    error: float
    freedom: float


def mean_of(values: Floats, counts: Floats | None = None) -> Estimate:
    """Mean of independent differences, (m,), or of specimens' sums over their counts.

    The error of a ratio of sums is that of its residuals (from memory, any book on survey
    sampling); with counts of 1 it is Student's.
    """
    m = values.size
    counts = np.ones(m) if counts is None else counts
    if m == 0:
        return Estimate(math.nan, math.nan, 0)
    mean = float(values.sum() / counts.sum())
    if m == 1:
        return Estimate(mean, math.nan, 0)
    residual = values - mean * counts
    scale = np.abs(values).max()
    if np.abs(residual).max() <= 1e-12 * scale:
        return Estimate(mean, 0.0, m - 1)
    error = math.sqrt(m / (m - 1) * float(residual @ residual)) / float(counts.sum())
    return Estimate(mean, error, m - 1)


def t_test(found: Estimate, against: float = 0.0) -> float:
    """Two-sided p-value of Student's paired test; 1 where nothing differs at all."""
    return min(1.0, 2 * min(_upper(found, against), _upper(_negative(found), -against)))


def equivalence(found: Estimate, low: float, high: float) -> float:
    """p-value of two one-sided t tests (D. Schuirmann, J. Pharmacokin. Biopharm. 15 (1987) 657).

    Below alpha exactly where Student's 1 - 2 alpha interval lies inside `low` to `high`.
    """
    return max(_upper(found, low), _upper(_negative(found), -high))


def t_interval(found: Estimate, confidence: float) -> tuple[float, float]:
    """Student's interval."""
    reach = float(special.stdtrit(found.freedom, (1 + confidence) / 2)) * found.error
    return found.value - reach, found.value + reach


def _negative(found: Estimate) -> Estimate:
    return found._replace(value=-found.value)


def _upper(found: Estimate, against: float) -> float:
    """p-value that the mean is not above `against`; 1 without evidence."""
    if math.isnan(found.error):
        return 1.0
    excess = found.value - against
    if found.error == 0:
        return 0.0 if excess > 0 else 1.0
    return float(special.stdtr(found.freedom, -excess / found.error))
