"""Logistic regression on one variable: how the chance of a hit grows with it."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import special

from echotrial.scores.sampling import Bools

Floats = NDArray[np.float64]
#: Newton's steps for the maximum of the likelihood, and the gain left when it counts as found.
_NEWTON_STEPS: Final = 50
_SETTLED: Final = 1e-9


@dataclass(frozen=True)
class Logistic:
    """logit P(hit) = intercept + slope x; covariance of the two; log-likelihood."""

    intercept: float
    slope: float
    covariance: Floats
    log_likelihood: float


class NoEstimateError(ValueError):
    """The data have no finite maximum of the likelihood; the message says why."""


def fit_logistic(x: Floats, hit: Bools) -> Logistic:
    """Maximum likelihood of a logistic regression on one variable.

    By Newton's method (P. McCullagh, J. Nelder, Generalized Linear Models, 2nd ed. 1989, section
    4.4; from memory), a step that would lead down halved.

    Parameters
    ----------
    x, hit
        (n,).

    Raises
    ------
    NoEstimateError
        All hits, all misses, separation, or no convergence.
    """
    if hit.all() or not hit.any():
        raise NoEstimateError("all are hits" if hit.all() else "none is a hit")
    if x[~hit].max() <= x[hit].min() or x[hit].max() <= x[~hit].min():
        raise NoEstimateError("separation: a threshold tells hits from misses")
    centre = float(x.mean())  # on raw ln(metres) intercept and slope are all but collinear
    away, share = x - centre, float(hit.mean())
    b: Floats = np.array([np.log(share / (1 - share)), 0.0])
    step, last = np.zeros_like(b), -np.inf
    for _ in range(_NEWTON_STEPS):
        value, gradient, information = _slopes(away, hit, b)
        if value < last:  # too far: back by half
            step /= 2
            b = b - step
            continue
        try:
            step, last = np.asarray(np.linalg.solve(information, gradient)), value
        except np.linalg.LinAlgError as error:
            raise NoEstimateError(f"no convergence ({error})") from None
        if abs(gradient @ step) < _SETTLED:
            break
        b = b + step
    else:
        raise NoEstimateError("no convergence")
    back = np.array([[1.0, -centre], [0.0, 1.0]])
    intercept, slope = back @ b
    covariance = back @ np.linalg.inv(information) @ back.T
    return Logistic(float(intercept), float(slope), covariance, value)


def _slopes(x: Floats, hit: Bools, b: Floats) -> tuple[float, Floats, Floats]:
    """Log-likelihood at intercept and slope `b`, its gradient, and minus its second derivatives."""
    z = b[0] + b[1] * x
    value = float(special.log_expit(np.where(hit, z, -z)).sum())
    p = special.expit(z)
    lack, weight = hit - p, p * (1 - p)
    bend = float(weight @ x)
    return (
        value,
        np.array([lack.sum(), lack @ x]),
        np.array([[weight.sum(), bend], [bend, float((weight * x) @ x)]]),
    )
