"""Records that something struck: what no wall explains of them lies in one short stretch.

A burst of interference comes once and is soon over. The samples of that stretch are then treated as
those that were clipped are (`clipped`): as unknown.
"""

import numpy as np
import scipy
from numpy.typing import NDArray

from echotrial_detectors.fit.fits import Found, Search, width_of
from echotrial_detectors.fit.newton import WALL
from echotrial_detectors.fit.spectra import Gate

#: Samples in the stretch, as many as may be clipped.
STRETCH = 32
#: Outside the stretch a fit may leave so many times the noise there is.
ELSEWHERE = 1.8
#: Records of which noise is a larger share, or a fit leaves more, are left alone.
LOUD, MOST = 0.1, 0.08


def struck_samples(
    y: NDArray[np.complex128], found: Found, noise: NDArray[np.float64],
    allowed: NDArray[np.float64], anchor: NDArray[np.int64], how: Search, gate: Gate,
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:  # fmt: skip
    """Which records were struck in their gates, and where, (j, gate length).

    Parameters
    ----------
    y
        (n, m) damped spectra of unit energy.
    found
        Their fits.
    noise, allowed
        (n,) share of each record's energy that noise is, and that a fit may leave: those that leave
        more are looked at.
    anchor
        (n,) sample of the gate at which the spectra's time is zero.
    """
    rows = np.arange(len(y))
    left, value = found.residual[rows, found.best], found.value[rows, found.best]
    worse = (left < MOST) & (left > allowed) & (noise < LOUD)
    poor = np.flatnonzero(worse & (value < found.value[:, -1]))
    model = how.ring.answer(
        found.theta[poor, found.best[poor]], np.zeros(poor.size, np.bool_), how.stack
    )
    model *= how.ring.bins.pulse * found.amplitude[poor, found.best[poor], None]
    low, high = gate.bins
    rest = np.zeros((poor.size, gate.length // 2 + 1), np.complex128)
    turn = np.exp(-2j * np.pi / gate.length * np.outer(anchor[poor], np.arange(low, high)))
    rest[:, low:high] = (y[poor] - model) * turn
    energy = np.cumsum(scipy.fft.irfft(rest, gate.length, axis=1) ** 2, axis=1)
    within = energy[:, STRETCH:] - energy[:, :-STRETCH]
    begin = np.argmax(within, axis=1)
    outside = 1 - within[np.arange(poor.size), begin] / energy[:, -1]
    struck = left[poor] * outside <= ELSEWHERE * noise[poor]
    after = np.arange(gate.length) - begin[struck, None]
    return poor[struck], (after > 0) & (after <= STRETCH)


def other_wall(before: Found, after: Found, tolerance: tuple[float, float]) -> NDArray[np.bool_]:
    """Whether without the stretch it is another wall: then the stretch was part of the echoes."""
    rows = np.arange(before.best.size)
    was, now = before.theta[rows, before.best], after.theta[rows, after.best]
    return np.asarray(np.abs(now[:, WALL] - was[:, WALL]) > width_of(was, tolerance))
