"""How well a wall can be measured at all: the Cramer-Rao bound on thickness, record by record.

For a record x = s(theta) + noise, stationary and Gaussian with power P(f), the Fisher information
is J_ij = sum over frequencies of Re(conj(ds/dtheta_i) ds/dtheta_j) / P (Whittle's form, S. M. Kay,
Fundamentals of Statistical Signal Processing: Estimation Theory, 1993, section 3.9; from memory).
What is known beforehand of a nuisance parameter adds 1 / (its standard deviation)^2 on the
diagonal (Van Trees; from memory). The bound is the root of the first element of J's inverse.

For one isolated echo of known amplitude this is var(tau) = 1 / ((2 E / N0) F^2), F the mean square
angular bandwidth (Quazi, IEEE ASSP-29 (1981) 527). The bound holds for unbiased detectors while
errors are small: it knows nothing of echo or cycle skips, so at a low signal-to-noise ratio no
detector comes near it.

Not known, besides thickness: arrival, amplitude, couplant gap, its spread over the aperture, and
attenuation. Counted as known, which can only make the bound too low, never too high: velocity (the
detector is told it), the pulse, taper, roughness, grain and interference.
"""

from typing import TYPE_CHECKING, Final

import numpy as np
import scipy.fft
from echotrial.setup import Setup
from numpy.typing import NDArray

from echotrial_corpora.chain import Chain, chain_of
from echotrial_corpora.draw import WALL, gaps_of, nominal
from echotrial_corpora.generate import spectra
from echotrial_corpora.strips import spacing
from echotrial_corpora.synthesis import respond

if TYPE_CHECKING:
    from echotrial_corpora.spec import CorpusSpec

Array = NDArray[np.float64]
Spectra = NDArray[np.complex128]


#: The bound takes some five times as long as the record, so that one in so many has it.
EVERY: Final = 8
#: Differences by which thickness, gap and spread are varied, metres. A multiple's phase turns by
#: some 1e-5 per order, so what is cut off is below 1e-4 and what is rounded away below 1e-9.
STEP: Final = 1e-10
#: The same for the logarithm of attenuation.
LOG_STEP: Final = 1e-5
#: What is known beforehand, as standard deviations (ours; common practice, no source). Of the gap:
#: a film squeezed out by hand. Of its spread: the larger of a share, for alignment, and a length.
GAP_PRIOR: Final = 10e-6
SPREAD_PRIOR: Final = (0.2, 1e-6)
#: Of the logarithm of attenuation: published values differ by a factor of two.
ATTENUATION_PRIOR: Final = 0.5
#: Of the arrival where the records' clock starts at the excitation (mode 1), seconds.
CLOCK_PRIOR: Final = 0.1e-9


def bound_m(spec: "CorpusSpec", params: np.ndarray, gains: Array, sigma: Array) -> Array:
    """Cramer-Rao bound on the thickness of each record, metres; NaN where there is no wall.

    Parameters
    ----------
    params
        (n,) of `echotrial_corpora.draw.PARAMETERS`.
    gains
        (n,) from the generator's noise-free record to full scale = 1.
    sigma
        (n,) rms of the noise, full scale = 1.
    """
    found = np.full(params.size, np.nan)
    walls = np.flatnonzero(params["kind"] == WALL)
    if walls.size == 0:
        return found
    chain, m = chain_of(spec), spec.samples
    slopes, clipped = record_slopes(chain, params[walls], gains[walls])
    shape = noise_spectrum(chain)
    power = noise_power(m, sigma[walls], shape, quantum=2.0 ** (1 - spec.receiver.bits))
    prior = priors(chain, params[walls])
    bounds = bound_of(information(slopes, power, m), prior)
    for i in np.flatnonzero(clipped.any(axis=1)):
        bounds[i] = _clipped_bound(slopes[i], clipped[i], power[i], prior[i])
    found[walls] = bounds
    return found


def _clipped_bound(
    slopes: Spectra, clipped: NDArray[np.bool_], power: Array, prior: Array
) -> float:
    """Bound of one record: a clipped sample tells nothing, so its value is one more unknown."""
    m = clipped.size
    lost = scipy.fft.rfft(np.eye(m)[clipped], axis=1)
    known = information(np.concatenate([slopes, lost])[None], power[None], m)
    return float(bound_of(known, np.append(prior, np.full(len(lost), np.inf)))[0])


def sampled_bound_m(spec: "CorpusSpec", params: np.ndarray, gains: Array, sigma: Array) -> Array:
    """`bound_m` of every `EVERY`-th record of a tile, NaN for the others: it costs a lot."""
    found = np.full(params.size, np.nan)
    found[::EVERY] = bound_m(spec, params[::EVERY], gains[::EVERY], sigma[::EVERY])
    return found


def bound_for(setup: Setup, thickness_m: Array) -> Array:
    """Bound on walls of a set-up at nominal values of everything else, of the shape given.

    Metres; NaN for a thickness that is no positive number, or that the record tells nothing of.
    """
    from echotrial_corpora.around import nominal_spec  # which needs the whole model

    spec = nominal_spec(setup)
    thickness = np.ravel(np.asarray(thickness_m, dtype=np.float64))
    possible = thickness > 0
    params = nominal(spec, np.where(possible, thickness, setup.wall_range[0]))
    peaks = np.abs(respond(spec, params).clean).max(axis=1)
    sigma = params["height"] * np.exp(-params["snr"])
    found = np.where(possible, bound_m(spec, params, params["height"] / peaks, sigma), np.nan)
    return found.reshape(np.shape(thickness_m))


def priors(chain: Chain, params: np.ndarray) -> Array:
    """Standard deviations of what is known beforehand, (n, 6), in the order of `record_slopes`."""
    spread = np.abs(params["curvature"]) * chain.radius_m**2 / 2
    share, least = SPREAD_PRIOR
    found = np.full((params.size, 6), np.inf)
    found[:, 1] = CLOCK_PRIOR if chain.contact else np.inf
    found[:, 3] = GAP_PRIOR
    found[:, 4] = np.maximum(share * spread, least)
    found[:, 5] = ATTENUATION_PRIOR
    return found


def record_slopes(
    chain: Chain, params: np.ndarray, gains: Array
) -> tuple[Spectra, NDArray[np.bool_]]:
    """Give the derivatives of each noise-free record, and which of its samples are clipped.

    Returns
    -------
    slopes
        (n, 6, m // 2 + 1) ``rfft`` of the derivatives by thickness, arrival, logarithm of
        amplitude, gap, spread of the gap (its sagitta over the aperture) and logarithm of
        attenuation.
    clipped
        (n, m).
    """
    apart = spacing(chain, params, gaps_of(chain, params))
    plain = _response(chain, params, apart)

    def slope(name: str, step: float | Array, unit: float) -> Spectra:
        moved = params.copy()
        moved[name] += step
        return (_response(chain, moved, apart) - plain) / unit

    sagitta = STEP * 2 / chain.radius_m**2
    laplace = [
        slope("thickness", STEP, STEP),
        -chain.grid.s * plain,
        plain,
        slope("gap", STEP, STEP),
        slope("curvature", sagitta, STEP),
        slope("attenuation", LOG_STEP * params["attenuation"], LOG_STEP),
    ]
    records = _in_time(chain, np.stack(laplace, axis=1)) * gains[:, None, None]
    return np.asarray(scipy.fft.rfft(records, axis=2)), np.abs(records[:, 2]) >= 1


def _response(chain: Chain, params: np.ndarray, apart: NDArray[np.int64]) -> Spectra:
    """Damped spectra of the noise-free records, as the generator makes them, (n, bins in band)."""
    bins, gaps = chain.grid.count, gaps_of(chain, params)
    none = np.empty((params.size, 0, 1), np.complex128)
    return spectra(chain, params, gaps, None, bins, none, apart)[0]


def _in_time(chain: Chain, damped: Spectra) -> Array:
    """Records of damped spectra on the grid, (..., m)."""
    grid = chain.grid
    whole = np.zeros((*damped.shape[:-1], grid.n_fft // 2 + 1), np.complex128)
    whole[..., grid.first : grid.first + grid.count] = damped
    records = scipy.fft.irfft(whole, grid.n_fft, axis=-1)[..., : grid.samples]
    return np.asarray(records * grid.restore)


def noise_spectrum(chain: Chain) -> Array:
    """Relative power of the receiver's noise over the bins of a record, computed or recorded."""
    if chain.noise_record.size == 0:
        return chain.noise_shape**2
    from scipy.signal import welch  # takes a second

    m = chain.grid.samples
    f, power = welch(chain.noise_record, nperseg=min(256, chain.noise_record.size))
    return np.asarray(np.interp(np.fft.rfftfreq(m), f, power))


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
