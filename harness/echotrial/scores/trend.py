"""Linear trend of the error over the wall: a wrong velocity is a slope, a wrong zero an offset."""

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy import special

from echotrial.scores.intervals import CONFIDENCE, NO_INTERVAL, Interval
from echotrial.scores.sampling import Sampling

Floats = NDArray[np.float64]
MIN_READINGS: Final = 10


@dataclass(frozen=True)
class Trend:
    """error = offset + slope x wall; `cause` says which of them is more than chance.

    A slope counts as a wrong velocity, until somebody who knows the true one says otherwise.
    """

    slope: float  # um per um: the relative error of the velocity
    slope_interval: Interval
    offset_um: float
    offset_interval: Interval
    n: int
    cause: str


def trend(error_um: Floats, wall_um: Floats, sampling: Sampling) -> Trend:
    """Fit a line by least squares to errors, (n,), over walls, (n,).

    Thickness = v (t - t_0) / 2, so a set-up velocity too high by a part p gives errors of p x wall,
    and a zero offset too small by dt gives v dt / 2 on every wall (ASTM E797: a two-point
    adjustment sets both). Intervals are heteroscedasticity-consistent (HC3), or clustered by
    specimen.
    """
    n = error_um.size
    groups = sampling.specimen
    specimens = n if groups is None else np.unique(groups).size
    if n < MIN_READINGS or specimens < 3 or np.ptp(wall_um) < 0.01 * np.max(wall_um):
        return Trend(
            np.nan, NO_INTERVAL, np.nan, NO_INTERVAL, n, "no estimate: too few or too equal walls"
        )
    (offset, slope), covariance, freedom = line(wall_um, error_um, groups)
    reach = special.stdtrit(freedom, (1 + CONFIDENCE) / 2) * np.sqrt(np.diag(covariance))
    of_offset, of_slope = (
        Interval(float(at - r), float(at + r)) for at, r in zip((offset, slope), reach, strict=True)
    )
    return Trend(slope, of_slope, offset, of_offset, n, _cause(of_slope, of_offset))


def line(
    x: Floats, y: Floats, groups: NDArray[Any] | None = None
) -> tuple[tuple[float, float], Floats, int]:
    """Offset and slope of y over x, (n,), by least squares; their covariance; degrees of freedom.

    The covariance asks for no equal variances: HC3 (J. MacKinnon, H. White, J. Econometrics 29
    (1985) 305-325), or of whole groups with the usual correction for their number g and g - 1
    degrees of freedom (K.-Y. Liang, S. Zeger, Biometrika 73 (1986) 13-22). Both from memory.
    """
    n, middle = x.size, float(x.mean())
    away = x - middle
    squares = float(away @ away)
    slope = float(away @ y) / squares
    offset = float(y.mean()) - slope * middle
    residual = y - offset - slope * x
    weights = np.stack((np.full(n, 1 / n) - middle * away / squares, away / squares))
    if groups is None:  # an estimate is the sum of these weights times y
        lever = 1 / n + away**2 / squares
        with np.errstate(divide="ignore", invalid="ignore"):  # a single wall that holds the line
            parts, factor, freedom = weights * (residual / (1 - lever)), 1.0, n - 2
    else:
        codes = np.unique(groups, return_inverse=True)[1]
        parts = np.stack([np.bincount(codes, weights=w * residual) for w in weights])
        g = parts.shape[1]
        factor, freedom = g / (g - 1) * (n - 1) / (n - 2), g - 1
    return (offset, slope), np.asarray(factor * parts @ parts.T), freedom


def _cause(slope: Interval, offset: Interval) -> str:
    names = {"velocity": slope, "zero offset": offset}
    found = [name for name, i in names.items() if i.low > 0 or i.high < 0]
    return " and ".join(found) if found else "neither velocity nor zero offset"


def velocity_part_um(wall_um: Floats, velocity_m_s: float, velocity_true_m_s: Floats) -> Floats:
    """Error that a wrong set-up velocity explains: wall x (v_setup / v_true - 1), (n,)."""
    return np.asarray(wall_um * (velocity_m_s / velocity_true_m_s - 1))
