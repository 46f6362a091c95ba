"""What is true of each record: where its echoes are, how they stand against tail and noise."""

# mypy: disable-error-code="no-untyped-def, no-untyped-call"

from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

from echotrial_corpora.draw import KINDS, WALL
from echotrial_corpora.peaks import order_peaks, summit
from echotrial_corpora.synthesis import ORDERS, Response

Array = NDArray[np.float64]
#: The tail ends where it is this far below its peak or below 3 sigma of the noise (40 dB).
TAIL_END = 1e-2
SIGMAS = 3.0


@dataclass(frozen=True, eq=False)
class Echoes:
    """Times on the set-up's clock, heights before gain; (n,) or (n, ORDERS), NaN = none."""

    interface_s: Array
    interface_height: Array
    tail_end_s: Array
    time_s: Array
    height: Array
    tail_at: Array


def echoes_of(response: Response, sigma: Array) -> Echoes:
    """Find interface echo, tail end and every back-wall echo of noise-free records.

    Parameters
    ----------
    response
        From `synthesis.respond`.
    sigma
        (n,) rms of the noise before gain.
    """
    chain, params = response.chain, response.params
    grid, n = chain.grid, params.size
    width = 1 / params["width"].mean() if not chain.recorded.size else 0.3 / chain.centre_hz
    times, heights = np.full((2, n, ORDERS), np.nan)
    arrivals = params["late"] - params["start"]
    step = grid.s[1] - grid.s[0]
    order_peaks(
        params, response.gaps, chain.weights, arrivals, response.terms, grid.s[0],
        response.every * step, 2 * response.every / grid.n_fft, width,
        grid.samples / grid.rate_hz, times, heights,
    )  # fmt: skip
    first, top, end = np.empty((3, n))
    quiet = np.empty(n)
    # the delay line's first repeat is an echo of its own, not the tail of the interface echo
    limit = arrivals + (
        1.0 if chain.contact or chain.trips.shape[0] == 1 else 0.9 * chain.arrival_s
    )
    limit = np.minimum(limit, grid.samples / grid.rate_hz)
    tail = response.tail + _excitation(response)
    _tails(
        tail, response.tail_spectrum, grid.s[0], step, 2 / grid.n_fft, grid.rate_hz / 2, width,
        limit, sigma, TAIL_END, SIGMAS, first, top, end, quiet,
    )  # fmt: skip
    if chain.contact:
        first[:] = np.nan
    at = np.full((n, ORDERS), np.nan)
    _look_up(tail, times, grid.rate_hz / 2, at)
    start = params["start"]
    return Echoes(
        first + start, top, end + start, times + start[:, None], heights, at
    )  # fmt: skip


def _excitation(response: Response) -> Array | float:
    """Envelope of what the transmission pulse leaves behind, which is the tail in mode 1."""
    params = response.params
    if not response.chain.contact or not params["excitation"].any():
        return 0.0
    step = 2 / response.chain.grid.rate_hz
    time = params["start"][:, None] + step * np.arange(response.tail.shape[1])
    since = np.maximum(time, 0)
    found = np.zeros_like(time)
    for name in ("excitation", "recovery"):
        found += params[name][:, None] * np.exp(-params[name + "_rate"][:, None] * since)
    return np.where(time < 0, 0.0, found)


@njit(cache=True, nogil=True, error_model="numpy")
def _tails(
    tail, spectrum, s, step, scale, rate, width, limit, sigma, share, sigmas, first, top, end, quiet
):
    """Per record: time and height of the tail's peak, and where it last exceeds its threshold."""
    for i in range(tail.shape[0]):
        last = min(int(limit[i] * rate), tail.shape[1])
        at = 0
        for t in range(last):
            if tail[i, t] > tail[i, at]:
                at = t
        first[i], top[i] = summit(spectrum[i], s, step, at / rate, width)
        top[i] = max(top[i] * scale, tail[i, at])
        threshold = max(sigmas * sigma[i], share * tail[i, at])
        found = 0
        for t in range(last - 1, -1, -1):
            if tail[i, t] > threshold:
                found = t
                break
        end[i] = found / rate
        if found + 1 < last:
            over, under = tail[i, found], tail[i, found + 1]
            if over > threshold:
                end[i] += (over - threshold) / (over - under) / rate


@njit(cache=True, nogil=True, error_model="numpy")
def _look_up(tail, times, rate, found):
    """The tail's envelope at given times, by parabolas through three samples."""
    for i in range(times.shape[0]):
        for k in range(times.shape[1]):
            t = times[i, k]
            if not np.isnan(t) and t >= 0:
                j = min(max(int(np.rint(t * rate)), 1), tail.shape[1] - 2)
                u = t * rate - j
                a, b, c = tail[i, j - 1], tail[i, j], tail[i, j + 1]
                found[i, k] = max(b + 0.5 * u * (c - a) + 0.5 * u * u * (a - 2 * b + c), 0.0)


def _fitting(response: Response) -> NDArray[np.int64]:
    """How many back-wall echoes the window has room for (see `ORDERS` for how many are listed)."""
    params, grid = response.params, response.chain.grid
    room = grid.samples / grid.rate_hz - (params["late"] - params["start"])
    trip = np.where(params["kind"] == WALL, 2 * params["thickness"] / params["velocity"], np.inf)
    return np.asarray((room / trip).astype(np.int64))


def columns(response: Response, echoes: Echoes, sigma: Array, peaks: Array) -> dict[str, Any]:
    """Truth columns of a tile, as arrays (n,) and lists of n arrays.

    Parameters
    ----------
    sigma, peaks
        (n,) rms of the noise and largest sample of the noise-free record, both before gain.
    """
    params = response.params
    is_wall = params["kind"] == WALL
    stands = echoes.height > np.maximum(echoes.tail_at, SIGMAS * sigma[:, None])
    known = ~np.isnan(echoes.time_s)
    first = echoes.height[:, 0]
    wall = np.where(is_wall, 1.0, np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        echo_snr = 20 * np.log10(first / sigma)
        tail_to_echo = 20 * np.log10(echoes.tail_at[:, 0] / first)
    return {
        "thickness_mm": params["thickness"] * 1e3 * wall,
        "kind": np.array(KINDS, dtype=object)[params["kind"].astype(np.intp)],
        "interface_us": echoes.interface_s * 1e6,
        "back_wall_us": [t[k] * 1e6 for t, k in zip(echoes.time_s, known, strict=True)],
        "back_wall_stands": [s[k] for s, k in zip(stands, known, strict=True)],
        "velocity_true_m_s": params["velocity"] * wall,
        "wall_wavelengths": params["thickness"]
        * response.chain.centre_hz
        / params["velocity"]
        * wall,
        "back_walls_in_window": _fitting(response),
        "snr_db": 20 * np.log10(peaks / sigma),
        "echo_snr_db": echo_snr,
        "tail_end_us": echoes.tail_end_s * 1e6,
        "tail_to_echo_db": tail_to_echo,
        "couplant_gap_um": np.where(
            params["kind"] == 1, np.nan, response.gaps @ response.chain.weights
        )
        * 1e6,
    }
