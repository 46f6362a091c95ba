"""How well a wall can be measured at all: the Cramer-Rao bound on thickness, record by record.

For a record x = s(theta) + noise, stationary and Gaussian with power P(f), the Fisher information
is J_ij = sum over frequencies of Re(conj(ds/dtheta_i) ds/dtheta_j) / P (Whittle's form, S. M. Kay,
Fundamentals of Statistical Signal Processing: Estimation Theory, 1993, section 3.9; from memory).
What is known beforehand of a nuisance parameter adds 1 / (its standard deviation)^2 on the
diagonal (Van Trees; from memory). The bound is the root of the first element of J's inverse.

For one isolated echo of known amplitude this is var(tau) = 1 / ((2 E / N0) F^2), F the mean square
angular bandwidth (Quazi, IEEE ASSP-29 (1981) 527). The bound holds for unbiased detectors while
errors are small: it knows nothing of echo or cycle skips, so at a low signal-to-noise ratio no
detector comes near it. Velocity counts as known, since the detector is told it.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Spectra = NDArray[np.complex128]


@dataclass(frozen=True)
class Unknown:
    """A parameter that shapes the record: what it is called, how it is varied, what is known.

    Attributes
    ----------
    step
        Half the central difference by which its derivative is taken, in its SI unit.
    prior
        Standard deviation of what is known beforehand; infinite = nothing is.
    """

    name: str
    step: float
    prior: float = np.inf


def noise_power(
    samples: int, rms: Array, shape: Array | None = None, quantum: float = 0.0
) -> Array:
    """Power of the noise in each bin of ``rfft``, with that of rounding to steps of `quantum`.

    Rounding adds quantum^2 / 12 (W. R. Bennett, Bell Syst. Tech. J. 27 (1948) 446, from memory).

    Parameters
    ----------
    samples
        Length m of the record.
    rms
        (n,) root mean square of the noise of each record, as sampled.
    shape
        (bins,) or (n, bins) relative power over frequency, white where not given; its scale does
        not matter.

    Returns
    -------
    (n, bins) mean of |rfft(noise)|^2.
    """
    bins = samples // 2 + 1
    power = np.ones((1, bins)) if shape is None else np.atleast_2d(shape)
    mean = power @ _weights(samples) / samples
    coloured = np.asarray(rms)[:, None] ** 2 * power / mean[:, None]
    return np.asarray(samples * (coloured + quantum**2 / 12))


def _weights(samples: int) -> Array:
    """How often each bin of ``rfft`` stands in the whole transform."""
    weights = np.full(samples // 2 + 1, 2.0)
    weights[0] = 1.0
    if samples % 2 == 0:
        weights[-1] = 1.0
    return weights


def information(derivatives: Spectra, power: Array, samples: int) -> Array:
    """Fisher information of records in stationary Gaussian noise.

    Parameters
    ----------
    derivatives
        (n, p, bins) ``rfft`` of the noise-free record's derivative by each parameter.
    power
        (n, bins) from `noise_power`.

    Returns
    -------
    (n, p, p) in the inverse squares of the parameters' units.
    """
    white = derivatives * np.sqrt(_weights(samples) / power)[:, None, :]
    flat = np.concatenate([white.real, white.imag], axis=2)
    return np.asarray(flat @ flat.transpose(0, 2, 1))


def derivatives(
    spectrum: Callable[[Array], Spectra], at: Array, unknowns: Sequence[Unknown]
) -> Spectra:
    """Central differences of noise-free spectra, (n, p, bins), by each of the unknowns.

    Parameters
    ----------
    spectrum
        (n, p) parameters -> (n, bins) ``rfft`` of the noise-free records.
    at
        (n, p) parameters, in the order of `unknowns`.
    """
    columns = []
    for j, unknown in enumerate(unknowns):
        step = np.zeros(len(unknowns))
        step[j] = unknown.step
        columns.append((spectrum(at + step) - spectrum(at - step)) / (2 * unknown.step))
    return np.stack(columns, axis=1)


def bound_of(known: Array, priors: Array) -> Array:
    """Least standard deviation of the first parameter, (n,); NaN where the record cannot tell it.

    The information that is left once the others are not known: the Schur complement
    J_00 - J_0n J_nn^-1 J_n0. A nuisance parameter that does nothing costs nothing.

    Parameters
    ----------
    known
        (n, p, p) from `information`.
    priors
        (p,) or (n, p) standard deviations, infinite where nothing is known beforehand.
    """
    added = np.broadcast_to(1 / np.asarray(priors, dtype=np.float64) ** 2, known.shape[:2])
    total = known + added[:, :, None] * np.eye(known.shape[1])
    size = np.sqrt(np.diagonal(total, axis1=1, axis2=2))  # the units are decades apart
    scale = np.divide(1, size, out=np.zeros_like(size), where=size > 0)
    even = total * scale[:, :, None] * scale[:, None, :]
    cross, rest = even[:, 0, 1:], even[:, 1:, 1:]
    explained = cross[:, None, :] @ np.linalg.pinv(rest, rcond=1e-12, hermitian=True)
    left = even[:, 0, 0] - (explained @ cross[:, :, None])[:, 0, 0]
    told = left > 1e-10  # below that, rounding says anything
    return np.where(told, scale[:, 0] / np.sqrt(np.where(told, left, 1.0)), np.nan)
