"""Hit/miss logistic regression on the logarithm of the wall, and its 90/95 value."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from echotrial.scores.logistic import Logistic, NoEstimateError, fit_logistic
from echotrial.scores.sampling import Bools, Sampling

Floats = NDArray[np.float64]
#: Walls that are summed over at a time.
_BLOCK: Final = 1 << 16


@dataclass(frozen=True)
class HitMiss:
    """Walls hit with a probability p: the estimate and its upper 95 % bound; NaN = no estimate."""

    wall_m: float
    wall_bound_m: float
    note: str = ""


def hit_miss(
    wall_m: Floats, hit: Bools, sampling: Sampling, p: float = 0.90, confidence: float = 0.95
) -> HitMiss:
    """Wall that is hit with probability `p`, and its one-sided upper bound (90/95 by default).

    In the manner of ASTM E2862 and MIL-HDBK-1823A: logit POD = b0 + b1 ln a, the bound by the
    likelihood ratio (R. Cheng, T. Iles, Technometrics 25 (1983) 77-86; from memory). At 60
    specimens the bound covers less often than it says (about 0.92 for 0.95).

    Parameters
    ----------
    wall_m, hit
        (n,), one independent record each; clustered records get no estimate.
    """
    if sampling.specimen is not None and np.unique(sampling.specimen).size < wall_m.size:
        return _none("several records of a specimen")
    if wall_m.size == 0 or np.ptp(wall_m) == 0:
        return _none("no walls of different thickness")
    x = np.log(wall_m)
    try:
        fit = fit_logistic(x, hit)
        if fit.slope <= 0:
            return _none("hits do not become more with the wall")
        at = quantile(fit, p)[0]
        if not x.min() <= at <= x.max():
            return _none("it would lie outside the walls tested")
        bound = quantile_bound(x, hit, fit, p, confidence)
    except NoEstimateError as error:
        return _none(str(error))
    note = "" if bound <= x.max() else "the bound lies above the walls tested"
    return HitMiss(float(np.exp(at)), float(np.exp(bound)), note)


def _none(why: str) -> HitMiss:
    return HitMiss(np.nan, np.nan, f"no estimate: {why}")


def quantile(fit: Logistic, p: float) -> tuple[float, float]:
    """Value of x at which P(hit) = p, and its standard error by the delta method.

    (W. Venables, B. Ripley, Modern Applied Statistics with S, section 7.2.)
    """
    x = (np.log(p / (1 - p)) - fit.intercept) / fit.slope
    gradient = -np.array([1.0, x]) / fit.slope
    return float(x), float(np.sqrt(gradient @ fit.covariance @ gradient))


def quantile_bound(x: Floats, hit: Bools, fit: Logistic, p: float, confidence: float) -> float:
    """One-sided upper bound of `quantile` by the likelihood ratio.

    The bound is where the log-likelihood, maximised over the slope alone, has dropped by half the
    chi-squared quantile of one degree of freedom at 2 confidence - 1 (1.3528 for 95 %).

    Raises
    ------
    NoEstimateError
        The likelihood never drops so far: the data do not bound it.
    """
    drop = float(special.chdtri(1, 2 * (1 - confidence))) / 2
    likelihood = _Likelihood(x[hit], x[~hit], float(np.log(p / (1 - p))))
    floor, (start, error) = fit.log_likelihood - drop, quantile(fit, p)
    step = error * float(np.sqrt(2 * drop))
    (_, _), (by_ab, by_bb) = likelihood.lacking(np.array([start, fit.slope]), floor)[1]
    reach = start + step, fit.slope - by_ab / by_bb * step  # along the ridge, for another root
    with np.errstate(all="ignore"):  # lies on its other side
        found = optimize.root(likelihood.lacking, reach, args=(floor,), jac=True, tol=1e-8)
    at, slope = map(float, found.x)
    if found.success and at > start and slope > 0:
        return at
    return _sought(likelihood, floor, start, error, fit.slope)  # a likelihood far from a parabola


class _Likelihood:
    """Of logit P(hit) = `logit` + b (x - a), as a function of the wall a and the slope b."""

    def __init__(self, hits: Floats, misses: Floats, logit: float) -> None:
        self._hits, self._misses, self._logit = hits, misses, logit

    def lacking(self, at_and_slope: Floats, floor: float) -> tuple[Floats, Floats]:
        """Log-likelihood above `floor` and its derivative by b, and the derivatives of both.

        Both are 0 at the bound (D. Venzon, S. Moolgavkar, Applied Statistics 37 (1988) 87-94; from
        memory).
        """
        at, b = map(float, at_and_slope)
        value, push, by_b, bend, by_bb = self._sums(self._hits, 1.0, at, b) + self._sums(
            self._misses, -1.0, at, b
        )
        return (
            np.array([value - floor, by_b]),
            np.array([[-b * push, by_b], [b * bend - push, -by_bb]]),
        )

    def _sums(self, x: Floats, sign: float, at: float, b: float) -> Floats:
        """Log-likelihood of hits (`sign` 1) or misses (-1), and parts of its derivatives."""
        blocks = (x[start : start + _BLOCK] for start in range(0, x.size, _BLOCK))
        return sum((self._block(part - at, sign, b) for part in blocks), np.zeros(5))

    def _block(self, d: Floats, sign: float, b: float) -> Floats:
        """The same of some walls, as distances from `at`: of a million every array counts."""
        against = -sign * (self._logit + b * d)
        faint = np.exp(-np.abs(against))  # 1 / (1 + exp(-z)) and log(1 + exp(z)), one exp for both
        value = -float(np.maximum(against, 0.0).sum() + np.log1p(faint).sum())
        missing = np.where(against >= 0, 1.0, faint)
        missing /= np.add(faint, 1.0, out=faint)
        push, by_b = sign * float(missing.sum()), sign * float(missing @ d)
        bend = np.subtract(missing, missing**2, out=missing)
        return np.array([value, push, by_b, bend @ d, bend @ np.square(d, out=d)])

    def highest(self, at: float, slope: float) -> float:
        """Log-likelihood at its maximum over b from 0 to 20 `slope`.

        It is concave in b: Newton's steps, each kept within what is known to hold the maximum.
        """
        flat, fall = self.lacking(np.array([at, 0.0]), 0.0)[0]
        if fall <= 0:
            return float(flat)
        low, high, b = 0.0, 20 * slope, slope
        for _ in range(60):
            (value, rise), ((_, _), (_, bend)) = self.lacking(np.array([at, b]), 0.0)
            low, high = (b, high) if rise > 0 else (low, b)
            if abs(rise) < 1e-6 * b * -bend or high - low < 1e-9 * b:
                break
            newton = abs(rise) < -bend * (high - low)
            b = b + rise / -bend if newton else (low + high) / 2
            b = b if low < b < high else (low + high) / 2
        return float(value)


def _sought(
    likelihood: _Likelihood, floor: float, start: float, error: float, slope: float
) -> float:
    """The bound by trying ever thicker walls."""

    def lacking(at: float) -> float:
        return floor - likelihood.highest(at, slope)

    reach = error
    for _ in range(30):
        if lacking(start + reach) > 0:
            return float(optimize.brentq(lacking, start, start + reach, xtol=1e-8))
        reach *= 1.6
    raise NoEstimateError("the likelihood bounds no wall")
