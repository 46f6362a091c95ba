"""What is true of each record: where its echoes are, how they stand against tail and noise."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from echotrial_corpora.draw import KINDS, WALL
from echotrial_corpora.peaks import order_peaks, summits
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
    wall = np.where(params["kind"] == WALL, 1.0, np.nan)
    trip = 2 * params["thickness"] / params["velocity"]
    gap = response.gaps @ chain.weights
    order_peaks(
        trip, wall * (arrivals + trip + 2 * gap / params["couplant_velocity"]), response.terms,
        grid.s[0], response.every * step, width, grid.samples / grid.rate_hz, times, heights,
    )  # fmt: skip
    heights *= 2 * response.every / grid.n_fft
    # the delay line's first repeat is an echo of its own, not the tail of the interface echo
    limit = arrivals + (
        1.0 if chain.contact or chain.trips.shape[0] == 1 else 0.9 * chain.arrival_s
    )
    limit = np.minimum(limit, grid.samples / grid.rate_hz)
    tail = response.tail + _excitation(response)
    rate, within = grid.rate_hz / 2, np.arange(tail.shape[1])
    last = np.minimum((limit * rate).astype(np.intp), tail.shape[1])
    shown = np.where(within < last[:, None], tail, 0.0)
    at = shown.argmax(axis=1)
    first, top = np.empty((2, n))
    starts = (at + _vertex(tail, at)) / rate
    summits(response.tail_spectrum, grid.s[0], step, starts, width, first, top)
    peak = shown[np.arange(n), at]
    end = _last_above(shown, np.maximum(SIGMAS * sigma, TAIL_END * peak), last) / rate
    start = params["start"]
    return Echoes(
        start + (np.nan if chain.contact else first),
        np.maximum(top * 2 / grid.n_fft, peak),
        end + start,
        times + start[:, None],
        heights,
        _look_up(tail, times * rate),
    )


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


def _last_above(shown: Array, threshold: Array, last: NDArray[np.intp]) -> Array:
    """Where (in samples) each row falls below its threshold for good, on a straight line."""
    above = shown[:, ::-1] > threshold[:, None]
    found = np.where(above.any(axis=1), shown.shape[1] - 1 - above.argmax(axis=1), 0)
    rows, after = np.arange(len(shown)), np.minimum(found + 1, shown.shape[1] - 1)
    over, under = shown[rows, found], shown[rows, after]
    crosses = (found + 1 < last) & (over > threshold)
    fall = np.where(crosses, over - under, 1.0)
    return np.asarray(found + np.where(crosses, (over - threshold) / fall, 0.0))


def _vertex(tail: Array, at: NDArray[np.intp]) -> Array:
    """How far from `at`, in samples, the top of each row's Gaussian through three of them lies."""
    j, rows = np.clip(at, 1, tail.shape[1] - 2), np.arange(len(tail))
    a, b, c = np.log(np.maximum([tail[rows, j + k] for k in (-1, 0, 1)], 1e-30))
    bend = np.minimum(a - 2 * b + c, -1e-9)
    return np.asarray(np.clip(0.5 * (a - c) / bend, -1, 1))


def _look_up(tail: Array, at: Array) -> Array:
    """The tail's envelope at given places in samples, by parabolas through three of them."""
    known = at >= 0  # NaN is not
    j = np.clip(np.rint(np.where(known, at, 1)).astype(np.intp), 1, tail.shape[1] - 2)
    rows, u = np.arange(len(tail))[:, None], at - j
    a, b, c = tail[rows, j - 1], tail[rows, j], tail[rows, j + 1]
    found = np.maximum(b + 0.5 * u * (c - a) + 0.5 * u * u * (a - 2 * b + c), 0.0)
    return np.where(known, found, np.nan)


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
