"""Change of the spread of errors: ratio of standard deviations on the same records."""

import math

import numpy as np
from numpy.typing import NDArray

from echotrial.compare import specimens
from echotrial.compare.mean_shift import Estimate, mean_of

Floats = NDArray[np.float64]


def moments(before: Floats, after: Floats) -> Floats:
    """Columns from whose sums `log_ratio` works, (n, 5); centred first, so that nothing cancels."""
    a, b = before - before.mean(), after - after.mean()
    return np.column_stack([np.ones(a.size), a, a**2, b, b**2])


def ratio(sums: Floats) -> Floats:
    """Standard deviation after over that before, from sums (..., 5)."""
    n, a, aa, b, bb = np.moveaxis(np.asarray(sums), -1, 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.sqrt((bb / n - (b / n) ** 2) / (aa / n - (a / n) ** 2)))


def deviations(before: Floats, after: Floats) -> Floats:
    """How much further from its own median each error lies after than before, (n,).

    Where both have one spread these are as often positive as negative, whatever the medians.
    """
    return np.asarray(np.abs(after - np.median(after)) - np.abs(before - np.median(before)))


def log_ratio(before: Floats, after: Floats, unit: NDArray[np.intp] | None = None) -> Estimate:
    """Logarithm of the ratio, with the error that its influence values give it.

    The influence of a record on ln(sd) is ((e - mean)^2 / variance - 1) / 2 (from memory; F.
    Hampel, J. Am. Stat. Assoc. 69 (1974) 383-393), so errors need not be normal.
    """
    n = before.size
    if n < 2:
        return Estimate(math.nan, math.nan, 0)
    a, b = before - before.mean(), after - after.mean()
    with np.errstate(divide="ignore", invalid="ignore"):
        influence = (b**2 / np.mean(b**2) - a**2 / np.mean(a**2)) / 2
        value = float(np.log(np.mean(b**2) / np.mean(a**2)) / 2)
    if np.allclose(a, b, rtol=0, atol=1e-12 * max(np.abs(a).max(), 1e-300)):
        return Estimate(0.0, 0.0, n - 1)
    if not math.isfinite(value):
        return Estimate(value, 0.0, n - 1)
    if unit is None:
        return mean_of(influence)._replace(value=value)
    return mean_of(specimens.sums(unit, influence), specimens.counts(unit))._replace(value=value)
