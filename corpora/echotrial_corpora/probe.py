"""The probe's two-way response: the echo of the bare tip, as a spectrum in s.

A Gaussian pulse of stated centre frequency, -6 dB bandwidth (ASTM E1065, 3.2.2) and phase; a
one-sided decay that makes its trailing flank longer than the leading one (low damping); and a
ring-down, a weak resonance of its own frequency, level and decay that the pulse sets off.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: Largest omega tau at which a single pole alone is 6 dB down.
POLE_HALF_WIDTH = float(np.sqrt(10**0.6 - 1))


def gaussian_width(bandwidth_hz: ArrayLike, decay_s: ArrayLike = 0.0) -> NDArray[np.float64]:
    """Standard deviation, rad/s, of the Gaussian that leaves a pulse with this -6 dB bandwidth.

    With a one-sided decay the spectrum is the Gaussian times |1 + j w tau|^-1; at half the
    bandwidth both together are 6 dB down, which gives the width in closed form.

    Raises
    ------
    ValueError
        The decay alone makes the band narrower than the bandwidth stated.
    """
    half = np.pi * np.asarray(bandwidth_hz, dtype=np.float64)
    left = 2 * np.log(10 ** (6 / 20)) - np.log1p((half * np.asarray(decay_s)) ** 2)
    if np.any(left <= 0):
        raise ValueError("the pulse's decay alone makes its band narrower than the bandwidth")
    return np.asarray(half / np.sqrt(left))


def pulse_spectrum(
    s: ArrayLike,
    centre_hz: float,
    bandwidth_hz: float,
    phase_rad: float = 0.0,
    decay_s: float = 0.0,
    ring_hz: float = 0.0,
    ring_level: float = 0.0,
    ring_decay_s: float = 1.0,
) -> NDArray[np.complex128]:
    """Spectrum of the bare-tip echo, centred on t = 0; without decay its envelope peaks at 1.

    Parameters
    ----------
    s
        Laplace variable, 1/s.
    ring_level
        Amplitude of the ring-down, traced back to the centre of the pulse, relative to 1.

    Returns
    -------
    ndarray
        Continuous Fourier transform, s (per unit amplitude), of the shape of `s`.
    """
    s = np.asarray(s, dtype=np.complex128)
    parameters = (centre_hz, bandwidth_hz, phase_rad, decay_s, ring_hz, ring_level, ring_decay_s)
    # The image at negative frequencies is the conjugate: it keeps the pulse real and causal alike.
    return (
        _analytic(s, *parameters) + np.conj(_analytic(np.conj(s), *parameters))
    ) / 2  # fmt: skip


def _analytic(
    s: NDArray[np.complex128],
    centre_hz: float,
    bandwidth_hz: float,
    phase_rad: float,
    decay_s: float,
    ring_hz: float,
    ring_level: float,
    ring_decay_s: float,
) -> NDArray[np.complex128]:
    width = float(gaussian_width(bandwidth_hz, decay_s))
    off = s - 2j * np.pi * centre_hz
    pulse = np.sqrt(2 * np.pi) / width * np.exp(off**2 / (2 * width**2)) / (1 + off * decay_s)
    gain = ring_gain(centre_hz, width, ring_hz, ring_level)
    resonance = gain / (s - 2j * np.pi * ring_hz + 1 / ring_decay_s)
    return np.asarray(pulse * np.exp(1j * phase_rad) * (1 + resonance))


def ring_gain(
    centre_hz: ArrayLike, width: ArrayLike, ring_hz: ArrayLike, ring_level: ArrayLike
) -> NDArray[np.float64]:
    """Residue, rad/s, of a resonance that a pulse sets off to an amplitude of `ring_level`."""
    off = 2 * np.pi * (np.asarray(ring_hz) - np.asarray(centre_hz)) / np.asarray(width)
    at_ring = np.sqrt(2 * np.pi) / np.asarray(width) * np.exp(-(off**2) / 2)
    return np.asarray(np.asarray(ring_level) / at_ring)
