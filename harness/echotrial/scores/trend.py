"""Linear trend of the error over the wall: a wrong velocity is a slope, a wrong zero an offset."""

import warnings
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from statsmodels.regression.linear_model import OLS
from statsmodels.tools.tools import add_constant

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
    model = OLS(error_um, add_constant(wall_um))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # an exact fit has no variance: its intervals are points
        if groups is None:
            fit = model.fit(cov_type="HC3", use_t=True)
        else:
            fit = model.fit(cov_type="cluster", cov_kwds={"groups": groups}, use_t=True)
        offset, slope = (Interval(*map(float, ends)) for ends in fit.conf_int(1 - CONFIDENCE))
    found = Trend(
        float(fit.params[1]), slope, float(fit.params[0]), offset, n, _cause(slope, offset)
    )
    fit.remove_data()  # it refers to itself, so that it would stay until the collector comes by
    return found


def _cause(slope: Interval, offset: Interval) -> str:
    names = {"velocity": slope, "zero offset": offset}
    found = [name for name, i in names.items() if i.low > 0 or i.high < 0]
    return " and ".join(found) if found else "neither velocity nor zero offset"


def velocity_part_um(wall_um: Floats, velocity_m_s: float, velocity_true_m_s: Floats) -> Floats:
    """Error that a wrong set-up velocity explains: wall x (v_setup / v_true - 1), (n,)."""
    return np.asarray(wall_um * (velocity_m_s / velocity_true_m_s - 1))
