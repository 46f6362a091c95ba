"""Where to start: every wall on a grid, compared with the record by one matrix product.

Records and templates are laid with their envelope peaks on each other, which leaves less than a
period of shift; products at three shifts a quarter of a period apart give the correlation at every
shift between, by interpolating its slowly varying complex amplitude.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numba
import numpy as np
import scipy
from numpy.typing import NDArray

from echotrial_detectors.fit.newton import ARRIVAL, SPREAD
from echotrial_detectors.fit.spectra import Bins, Gate
from echotrial_detectors.fit.stack import Stack, answer, aperture

#: Rows of records in one matrix product: a fixed size, so that results hang on no batch size.
TILE = 128
#: Gap and spread (both in metres) that the grid tries.
GAPS = ((0.0, 0.0), (2e-6, 25e-6), (8e-6, 50e-6))
#: ... and further ones where delay line and couplant make a resonator of the gap.
RESONANT_GAPS = ((12e-6, 0.0), (15e-6, 30e-6), (30e-6, 20e-6))
#: Thickest film on a lifted probe, and the gaps' spread that goes with films.
THICKEST_FILM = 120e-6
FILM_GAPS = ((0.0, 0.0), (0.0, 30e-6))
#: Fits start from no less spread (periods): from none the arrival makes up for what little more of
#: it would do, and a fit may stay where it is not the best.
LEAST_SPREAD = 0.2
#: A template's envelope may have a second peak this high: then it is laid on that one as well.
RIVAL_PEAK = 0.8
#: Loss in the grid, neper per wavelength of travel.
LOSS = 0.01
#: A start whose grid residual is this many times that of the best is not followed, ...
HOPELESS = 6.0
#: ... which is this at least: the grid's coarseness alone may leave so much.
COARSE = 0.005
SHIFTS = (-0.25, 0.0, 0.25)
#: So many bins, evenly spread, are enough to find where to start, but where samples are unknown.
ENOUGH_BINS = 40
#: Coefficients of t, t^3, t^5, t^7, t^9 in the arc tangent of t in [0, 1]; off by 1e-5 at most
#: (Abramowitz and Stegun, 4.4.47).
_ARC = tuple(np.float32(c) for c in (0.9998660, -0.3302995, 0.1801410, -0.0851330, 0.0208351))
_NONE, _ONE, _TWO, _FOUR = np.float32(0), np.float32(1), np.float32(2), np.float32(4)
_HALF_PI, _TURN, _TINY = np.float32(np.pi / 2), np.float32(2 * np.pi), np.float32(1e-30)
_THIRD, _HALF = np.float32(1 / 3), np.float32(0.5)


@dataclass(frozen=True)
class Grid:
    """Templates and what made each.

    Attributes
    ----------
    starts
        (t, 6): arrival relative to the anchor, wall, gap, spread, loss, shape; of walls with
        `LEAST_SPREAD` at least.
    family
        (t,): which wall of the grid; ascending.
    is_film
        (t,): a film without a wall.
    frequency
        (m,): of the bins, over the centre frequency.
    spectra
        (m, t): the templates.
    """

    starts: NDArray[np.float64]
    family: NDArray[np.intp]
    is_film: NDArray[np.bool_]
    frequency: NDArray[np.float64]
    spectra: NDArray[np.complex64]

    @property
    def stride(self) -> int:
        """Every so many-th bin makes `ENOUGH_BINS`."""
        return -(-self.frequency.size // ENOUGH_BINS)

    @cached_property
    def few(self) -> NDArray[np.float32]:
        """What correlates records at three shifts, of every `stride`-th bin; see `_matrix`."""
        return _matrix(self.spectra[:: self.stride], self.frequency[:: self.stride])

    @cached_property
    def every(self) -> NDArray[np.float32]:
        """The same of all bins, for records of which samples are unknown."""
        return _matrix(self.spectra, self.frequency)

    @property
    def families(self) -> int:
        """How many walls (and films) there are."""
        return int(self.family[-1]) + 1


def walls(low: float, high: float, damping: float) -> NDArray[np.float64]:
    """Round trips to try, in periods.

    Between neighbours the last echo that counts, about the (1 + 1/(damping wall))-th and at most
    the ninth, moves by half a period.
    """
    found = [low]
    while found[-1] < high:
        echoes = min(9.0, 1 + 1.5 / (damping * found[-1]))
        found.append(found[-1] + 0.4 / echoes)
    return np.array(found)


def make_grid(stack: Stack, bins: Bins, gate: Gate, low: float, high: float) -> Grid:
    """Templates for walls from `low` to `high` periods of round trip, and for films."""
    gaps = GAPS + (RESONANT_GAPS if stack.resonant else ())
    films = np.arange(0.0, stack.gap_periods(THICKEST_FILM), 0.06)
    parts = [
        _templates(stack, bins, gate, walls(low, high, gate.damping), gaps, LOSS),
        _templates(stack.film, bins, gate, films, FILM_GAPS, 0.0),
    ]
    _spread_out(parts[0][0], aperture(stack.delay_couplant).mean_excess)
    families = int(parts[0][1].max()) + 1
    spectra = np.concatenate([spectra for _, _, spectra in parts])
    return Grid(
        np.concatenate([starts for starts, _, _ in parts]),
        np.concatenate([parts[0][1], families + parts[1][1]]),
        np.concatenate([np.zeros(len(parts[0][1]), bool), np.ones(len(parts[1][1]), bool)]),
        gate.frequency,
        np.ascontiguousarray(spectra.T, dtype=np.complex64),
    )


def _spread_out(starts: NDArray[np.float64], mean_excess: float) -> None:
    more = np.maximum(LEAST_SPREAD - starts[:, SPREAD], 0.0)
    starts[:, SPREAD] += more
    starts[:, ARRIVAL] -= mean_excess * more


def _templates(
    stack: Stack,
    bins: Bins,
    gate: Gate,
    round_trips: NDArray[np.float64],
    gaps: Sequence[tuple[float, float]],
    loss: float,
) -> tuple[NDArray[np.float64], NDArray[np.intp], NDArray[np.complex128]]:
    """Starts, families and spectra of all combinations, each laid on its envelope's peaks."""
    in_periods = [(stack.gap_periods(gap), stack.gap_periods(spread)) for gap, spread in gaps]
    theta = np.array([(0.0, t, *g, loss, 0.0) for t in round_trips for g in in_periods])
    hard = np.full(len(theta), stack.couplant_wall)
    models = bins.pulse * answer(theta, hard, bins.s, bins.law, stack)
    which, peak = _peaks(models, gate)
    starts = theta[which]
    starts[:, ARRIVAL] = -peak
    return starts, which // len(gaps), models[which] * np.exp(peak[:, None] * gate.s)


def _peaks(
    models: NDArray[np.complex128], gate: Gate
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
    """Rows and times (periods after the arrival) of the highest envelope peaks and their rivals."""
    low, high = gate.bins
    spectra = np.zeros((len(models), gate.length), dtype=np.complex64)
    later = np.exp(-2j * np.pi / gate.length * gate.before * np.arange(low, high))
    np.multiply(models, later, out=spectra[:, low:high], casting="same_kind")
    time = (np.arange(gate.length) - gate.before) / gate.rate_hz / gate.period_s
    window = np.exp(2 * gate.damping * time)
    # Near the end of the gate undoing the exponential lifts what the gate has cut off.
    window[time > 0.6 * time[-1]] = 0.0
    found = scipy.fft.ifft(spectra, axis=1, overwrite_x=True)
    power = (found.real**2 + found.imag**2) * window.astype(np.float32)
    tops = (power[:, 1:-1] >= power[:, :-2]) & (power[:, 1:-1] > power[:, 2:])
    highest = np.where(tops, power[:, 1:-1], np.float32(0))
    first = np.argmax(highest, axis=1)
    rows = np.arange(len(models))
    peak = highest[rows, first]
    highest[rows, first] = 0.0
    second = np.argmax(highest, axis=1)
    rivals = np.flatnonzero(highest[rows, second] >= RIVAL_PEAK**2 * peak)
    which = np.concatenate([rows, rivals])
    at = np.concatenate([first, second[rivals]]) + 1
    # Between samples a peak is a parabola.
    before, top, after = (power[which, at + i] for i in (-1, 0, 1))
    off = 0.5 * (before - after) / (before - 2 * top + after)
    order = np.argsort(which, kind="stable")
    return which[order], (time[at] + off * (time[1] - time[0]))[order]


def _matrix(spectra: NDArray[np.complex64], frequency: NDArray[np.float64]) -> NDArray[np.float32]:
    """Correlations at three shifts, real and imaginary parts of each: float32 (2 m, 6 t)."""
    m, t = spectra.shape
    unit = spectra / np.linalg.norm(spectra, axis=0)
    found = np.empty((2, m, len(SHIFTS), 2, t), dtype=np.float32)
    for k, shift in enumerate(SHIFTS):
        turn = np.exp(-2j * np.pi * frequency * shift).astype(np.complex64)
        part = unit * turn[:, None]
        found[0, :, k, 0], found[1, :, k, 0] = part.real, part.imag
        found[0, :, k, 1], found[1, :, k, 1] = -part.imag, part.real
    return found.reshape(2 * m, -1)


@numba.njit(
    cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract", "nsz", "arcp"}
)
def best_shifts(
    products: NDArray[np.float32], shift: NDArray[np.float32], height: NDArray[np.float32]
) -> None:
    """Put the shift in periods of each template, and the correlation there, in (t,) arrays.

    `products` (3, 2, t) are those at -1/4, 0 and +1/4 of a period. A later record by d turns the
    phase by 2 pi d and hardly changes the rest; the parabola through the three complex amplitudes
    carries that rest. All templates alike, without a branch, so that a processor takes many at a
    time.
    """
    for t in range(shift.size):
        # Turned back by their own quarter of a period, the three lie close to each other.
        low_re, low_im = -products[0, 1, t], products[0, 0, t]
        high_re, high_im = products[2, 1, t], -products[2, 0, t]
        re, im = products[1, 0, t], products[1, 1, t]
        slope_re, slope_im = _TWO * (high_re - low_re), _TWO * (high_im - low_im)
        bend_re = _FOUR * _TWO * (high_re + low_re - _TWO * re)
        bend_im = _FOUR * _TWO * (high_im + low_im - _TWO * im)
        wide, high = abs(re), abs(im)
        ratio = min(wide, high) / (max(wide, high) + _TINY)
        square = ratio * ratio
        angle = _ARC[4]
        angle = angle * square + _ARC[3]
        angle = angle * square + _ARC[2]
        angle = angle * square + _ARC[1]
        angle = (angle * square + _ARC[0]) * ratio
        angle = _HALF_PI - angle if high > wide else angle
        angle = _TWO * _HALF_PI - angle if re < _NONE else angle
        angle = -angle if im < _NONE else angle
        by = -angle / _TURN
        along = re + by * (slope_re + by * bend_re)
        across = im + by * (slope_im + by * bend_im)
        # What the phase there is more than at the centre is small: an arc tangent by its series.
        off = (across * re - along * im) / (along * re + across * im + _TINY)
        off = off if abs(off) < _HALF else _NONE
        by -= off * (_ONE - off * off * _THIRD) / _TURN
        along = re + by * (slope_re + by * bend_re)
        across = im + by * (slope_im + by * bend_im)
        shift[t], height[t] = by, np.sqrt(along * along + across * across)


def pick_starts(
    spectra: NDArray[np.complex128], grid: Grid, theta: NDArray[np.float64], *, every: bool = False
) -> NDArray[np.float64]:
    """Fill `theta` (n, k, 6) with the starts of the best local maxima over the wall, film last.

    Gives the share of the energy of each record (n, m) that each start explains, (n, k), its root;
    0 = none there; by every `Grid.stride`-th bin, or by `every` one. Tile by tile: a tile's
    correlations stay near the processor.
    """
    scores, matrix = np.zeros(theta.shape[:2]), grid.every if every else grid.few
    spectra = spectra if every else spectra[:, :: grid.stride]
    m, size = spectra.shape[1], np.linalg.norm(spectra, axis=1)
    size[size == 0] = 1.0
    tile = np.zeros((TILE, 2 * m), dtype=np.float32)
    found = np.empty((TILE, matrix.shape[1]), dtype=np.float32)
    families, which = np.zeros(grid.families, np.float32), np.zeros(grid.families, np.int64)
    shift, height = np.zeros((2, len(grid.starts)), np.float32)
    for first in range(0, len(spectra), TILE):
        part = spectra[first : first + TILE] / size[first : first + TILE, None]
        tile[: len(part), :m], tile[: len(part), m:] = part.real, part.imag
        tile[len(part) :] = 0.0
        np.matmul(tile, matrix, out=found)
        _pick(
            found.reshape(TILE, len(SHIFTS), 2, -1), grid.starts, grid.family, grid.is_film,
            families, which, shift, height, theta[first : first + TILE],
            scores[first : first + TILE],
        )  # fmt: skip
    return scores


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _pick(
    correlation: NDArray[np.float32],
    starts: NDArray[np.float64],
    family: NDArray[np.intp],
    is_film: NDArray[np.bool_],
    families: NDArray[np.float32],
    which: NDArray[np.int64],
    shift: NDArray[np.float32],
    height: NDArray[np.float32],
    theta: NDArray[np.float64],
    scores: NDArray[np.float64],
) -> None:
    """Each family's best correlation and template, then the best of those that top neighbours."""
    last, count = scores.shape[1] - 1, families.size
    for row in range(scores.shape[0]):
        best_shifts(correlation[row], shift, height)
        families[:] = 0
        for t in range(family.size):
            if height[t] > families[family[t]]:
                families[family[t]], which[family[t]] = height[t], t
        for f in range(count):
            here, place = families[f], last
            if is_film[which[f]]:
                if not here > scores[row, last]:
                    continue
            else:
                below = f > 0 and here < families[f - 1]
                above = f + 1 < count and not is_film[which[f + 1]] and here < families[f + 1]
                if below or above or not here > scores[row, last - 1]:
                    continue
                place = last - 1
                while place > 0 and here > scores[row, place - 1]:
                    scores[row, place] = scores[row, place - 1]
                    for i in range(theta.shape[2]):
                        theta[row, place, i] = theta[row, place - 1, i]
                    place -= 1
            scores[row, place] = here
            for i in range(theta.shape[2]):
                theta[row, place, i] = starts[which[f], i]
            theta[row, place, 0] += shift[which[f]]
