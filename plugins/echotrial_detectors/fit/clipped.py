"""Records that were clipped: what stood above full scale is unknown, all else is fitted.

A clipped sample is a sample plus an unknown; so the spectrum is free along the spectra of those
samples. They are made orthonormal and projected out of record and model alike, which gives such
samples no weight.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import scipy
from echotrial.ascan import Batch
from numpy.typing import NDArray

from echotrial_detectors.fit.fits import FEW_ENOUGH, Found, Search, stage
from echotrial_detectors.fit.grid import pick_starts
from echotrial_detectors.fit.newton import LOSS, SIDE, UNKNOWNS, WALL
from echotrial_detectors.fit.search import BEHIND, finish, promising, worth_more
from echotrial_detectors.fit.spectra import Gate

#: A record is clipped where samples of one sign, two at least, stand so near its extreme, and that
#: near full scale. The two extremes of a converter are not the same.
NEAR_EXTREME, NEAR_FULL_SCALE, FEWEST = 0.9995, 0.99, 2
#: Clipped samples in the gate: room is made for one of these numbers, records with more are left
#: alone. Fixed sizes, as that of a tile of records, so that results hang on no batch.
SIZES, TILE = (8, 12, 16, 32), 64
#: With more clipped samples twice a wall explains what is left of a record as well as the wall.
MOST = 16
#: How far above full scale a clipped sample may be.
ABOVE = 3.0
#: With samples missing a posterior is less of a Gaussian: standard deviations asked for, and how
#: much more likely than any other wall (-2 log) a reading must be.
SURENESS, MARGIN = 5.0, 25.0
#: A fit that leaves less than this share of the noise has had too much freedom.
TOO_GOOD = 0.25
#: Share of what lies outside the band that need not come from clipping.
LEAK = 1e-2
#: Newton steps after which starts are compared.
FIRST_ROUNDS = 4
#: Of the wall that is best by then these multiples are tried as well.
MULTIPLES = (0.5, 2.0)
_Complex = NDArray[np.complex128]
_Real = NDArray[np.float64]
_Rows = NDArray[np.int64]


def clipped_samples(
    batch: Batch, first: NDArray[np.int64], gate: Gate
) -> tuple[_Rows, NDArray[np.bool_]]:
    """Which records are clipped in their gates, and where these are, (j, gate length)."""
    samples = batch.samples
    top, bottom = samples.max(axis=1), -samples.min(axis=1)
    loud = np.flatnonzero(np.maximum(top, bottom) >= NEAR_FULL_SCALE)
    index = first[loud, None] + np.arange(gate.length)
    inside = (index >= 0) & (index < samples.shape[1])
    there = np.take_along_axis(samples[loud], np.where(inside, index, 0), axis=1)
    at, flat = np.zeros_like(inside), np.zeros(loud.size, np.bool_)
    for values, extreme in ((there, top[loud]), (-there, bottom[loud])):
        same = inside & (values >= NEAR_EXTREME * extreme[:, None])
        same &= (extreme >= NEAR_FULL_SCALE)[:, None]
        at |= same
        flat |= same.sum(axis=1) >= FEWEST
    count = at.sum(axis=1)
    some = flat & (count <= MOST)
    return loud[some], at[some]


def outside_band(batch: Batch, rows: _Rows, first: _Rows, gate: Gate) -> NDArray[np.float32]:
    """What of some records' gates, which begin at `first`, lies outside the band, (j, length)."""
    spectrum, size = batch.spectrum[rows], batch.n_fft
    low, high = (round(edge * size / gate.length) for edge in gate.bins)
    spectrum[:, low:high] = 0.0
    samples = scipy.fft.irfft(spectrum, size, axis=1, overwrite_x=True)
    index = np.clip(first[:, None] + np.arange(gate.length), 0, size - 1)
    return np.take_along_axis(samples, index, axis=1)


def tiles(at: NDArray[np.bool_]) -> Iterator[_Rows]:
    """Rows of `at` with about as many clipped samples, `TILE` at a time."""
    count, fewer = at.sum(axis=1), 0
    for size in SIZES:
        rows = np.flatnonzero((count > fewer) & (count <= size))
        yield from (rows[i : i + TILE] for i in range(0, rows.size, TILE))
        fewer = size


@dataclass(frozen=True)
class Known:
    """What is known of clipped records, real and imaginary parts side by side, 2 m of them.

    Attributes
    ----------
    y
        (n, 2 m) spectra.
    unknown
        (n, k, 2 m): orthonormal, but for what noise makes of it; along these y is free.
    energy
        (n,): of what is left of y without them.
    guess
        (n, m): spectra to look for starts with, of unit energy: the clipped samples put back as far
        as what lies outside the band tells them, or left out.
    """

    y: _Real
    unknown: _Real
    energy: _Real
    guess: _Complex

    @classmethod
    def of(
        cls, y: _Complex, at: NDArray[np.bool_], anchor: _Rows, noise: _Real, gate: Gate,
        beyond: NDArray[np.float32] | None = None,
    ) -> "Known":  # fmt: skip
        """Spectra (n, m), clipped samples and anchors in the gate, noise in each part of a bin.

        `beyond` (n, gate length) is what of the records lies outside the band.
        """
        bins, count = np.arange(*gate.bins), at.sum(axis=1, keepdims=True)
        most = next(size for size in SIZES if size >= count.max())
        samples = np.argsort(~at, axis=1, kind="stable")[:, :most]
        weight = np.where(np.arange(most) < count, gate.window[samples], 0.0)
        turns = np.exp(-2j * np.pi / gate.length * np.arange(gate.length))
        spectra = turns[(samples - anchor[:, None])[:, :, None] * bins % gate.length]
        shapes = _parts(spectra * weight[:, :, None])
        gram = shapes @ shapes.transpose(0, 2, 1)
        gram += np.eye(most) * (noise / ABOVE**2)[:, None, None]
        unknown = np.linalg.inv(np.linalg.cholesky(gram)) @ shapes
        parts = _parts(y)
        rest = _without(unknown, parts)
        guess = rest.copy()
        if beyond is not None:
            height = put_back(
                np.take_along_axis(beyond, samples, axis=1), samples, weight > 0, gate
            )
            guess = parts + (height[:, None] @ shapes)[:, 0]
        guess /= np.linalg.norm(guess, axis=1, keepdims=True)
        return cls(parts, unknown, np.sum(parts * rest, axis=1), _complex(guess))


def put_back(
    beyond: NDArray[np.float32], samples: _Rows, there: NDArray[np.bool_], gate: Gate
) -> _Real:
    """What to add to clipped samples so that least is left outside the band, (n, k).

    Before it was clipped a record had next to nothing there (after Janssen, Veldhuis and Vries,
    IEEE Trans. ASSP 34 (1986) 317, of lost samples; from memory).

    Parameters
    ----------
    beyond
        (n, k): what lies outside the band, at the samples.
    samples, there
        (n, k): places, and which of them are any.
    """
    bins = np.arange(gate.length // 2 + 1)
    outside = np.where((bins < gate.bins[0]) | (bins >= gate.bins[1]), 1.0, 0.0)
    kernel = scipy.fft.irfft(outside, gate.length)
    both = there[:, :, None] & there[:, None, :]
    share = np.where(both, kernel[samples[:, :, None] - samples[:, None, :]], 0.0)
    share += np.eye(samples.shape[1]) * (LEAK + ~there)[:, :, None]
    return np.asarray(np.linalg.solve(share, np.where(there, -beyond, 0.0)[..., None])[..., 0])


def _parts(values: _Complex) -> _Real:
    return np.concatenate([values.real, values.imag], axis=-1)


def _complex(parts: _Real) -> _Complex:
    half = parts.shape[-1] // 2
    return np.asarray(parts[..., :half] + 1j * parts[..., half:])


def _without(unknown: _Real, values: _Real) -> _Real:
    along = unknown @ values[:, :, None]
    return np.asarray(values - (unknown.transpose(0, 2, 1) @ along)[..., 0])


def search_clipped(
    known: Known, arrival: _Real, tolerance: tuple[float, float], how: Search, starts: int,
    allowed: _Real,
) -> Found:  # fmt: skip
    """Fit clipped records, see `search.search`; residuals are shares of what is known of each."""
    n, film = len(known.y), starts
    theta = np.zeros((n, film + 1, UNKNOWNS))
    guess = known.guess
    chosen = promising(pick_starts(guess, how.grid, theta, every=True))
    results, inner = np.full((n, film + 1, 3), np.inf), np.zeros((n, film + 1, SIDE, SIDE + 1))
    free = _complex(known.unknown).reshape(-1, guess.shape[1])
    rest = _complex(_without(known.unknown, known.y))
    rest /= np.linalg.norm(rest, axis=1, keepdims=True)
    laid = [how.every.records(rest), how.every.records(free).reshape(n, -1)]
    every = np.concatenate(laid, axis=1)
    stage(every, how.every, FEW_ENOUGH, chosen, theta, results, inner, arrival, how, FIRST_ROUNDS)
    other = _multiples(theta, results)
    stage(every, how.every, FEW_ENOUGH, other, theta, results, inner, arrival, how, FIRST_ROUNDS)
    close = (chosen | other) & worth_more(results, BEHIND, allowed, 0.0)
    return finish(every, close, theta, results, inner, arrival, tolerance, how, allowed)


def _multiples(theta: _Real, results: _Real) -> NDArray[np.bool_]:
    """Put the best wall's `MULTIPLES` in the place of the worst; gives the places, (n, k).

    Without the interface echo's top its multiples look much like the wall.
    """
    chosen, rows = np.zeros(results.shape[:2], np.bool_), np.arange(len(theta))
    order = np.argsort(results[:, :-1, 0], axis=1, kind="stable")
    for place, factor in zip(order[:, :0:-1].T, MULTIPLES, strict=False):
        theta[rows, place] = theta[rows, order[:, 0]]
        theta[rows, place, WALL] *= factor
        results[rows, place] = np.inf
        chosen[rows, place] = np.isfinite(results[rows, order[:, 0], 0])
    return chosen


def refuse(found: Found, noise: _Real, lossy: float) -> None:
    """Take back fits that the missing samples made possible: as unsure, or as leaving all."""
    rows = np.arange(found.best.size)
    found.side[found.rivalled(MARGIN) | (found.side < SURENESS**2)] = 0.0
    left, loss = found.residual[rows, found.best], found.theta[rows, found.best, LOSS]
    bad = (left < TOO_GOOD * noise) | (loss > lossy)
    bad &= np.isfinite(left)
    found.residual[rows[bad], found.best[bad]] = 1.0
