"""From a record's candidates to its series: side lobes, interface echo, gate, what is left over."""

from typing import NamedTuple

import numba
import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.diffraction import early_at
from echotrial_detectors.interface import interface_among
from echotrial_detectors.kernels import COUNTS_NOTHING
from echotrial_detectors.multiples import Law, best_series
from echotrial_detectors.peaks import drop_side_lobes, keep_between, refine_extrema
from echotrial_detectors.residual import unexplained

#: What `settle` fills in for each record, before the values of `multiples.Series`.
SETTLED = (
    "interface", "interface_height", "gate_start", "count", "highest", "left", "first", "last",
)  # fmt: skip


class Rules(NamedTuple):
    """What holds for all records of a batch; times in samples.

    Attributes
    ----------
    end
        The last echo that counts is whole by this sample.
    tail
        Of one echo.
    cosine
        Whether a cosine is laid through each candidate that no stronger one explains.
    interface, reach, sign
        Whether there is an interface echo among the candidates, how far off its nominal place, and
        of which sign (0: either).
    after
        How long after it the gate begins.
    behind_tail
        Whether candidates count from behind its tail only.
    evenness
        Share that a series must explain for what is left over to matter.
    """

    end: int
    tail: int
    cosine: bool
    interface: bool
    reach: float
    sign: int
    after: float
    behind_tail: bool
    evenness: float


class Room(NamedTuple):
    """Room to work in: for each of a record's candidates, for a series, for a record."""

    shift: NDArray[np.float64]
    keep: NDArray[np.bool_]
    trial: NDArray[np.float64]
    left: NDArray[np.float32]

    @classmethod
    def of(cls, candidates: int, m: int) -> "Room":
        """For so many candidates of records of m samples."""
        return cls(
            np.zeros(candidates),
            np.empty(candidates, np.bool_),
            np.empty(9),
            np.empty(m, np.float32),
        )


@numba.njit(**COUNTS_NOTHING)
def settle(
    signal: NDArray[np.float32],
    sample: NDArray[np.float64],
    amplitude: NDArray[np.float64],
    count: NDArray[np.int64],
    rules: Rules,
    law: Law,
    lobes: NDArray[np.float64],
    phases: NDArray[np.float32],
    behind: NDArray[np.int64],
    sigma: NDArray[np.float64],
    level: NDArray[np.float64],
    origin: NDArray[np.float64],
    gate_from: NDArray[np.float64],
    gate_stop: NDArray[np.float64],
    early: NDArray[np.float64],
    room: Room,
    settled: NDArray[np.float64],
) -> None:
    """Fill in what the candidates of each record come to.

    Parameters
    ----------
    signal
        (n, m).
    sample, amplitude, count
        The candidates, as in `peaks.Candidates`; used up.
    rules, law
        What holds for all of them.
    lobes, phases
        As in `pulse.PulseShape`.
    behind, sigma, level
        As in `look.Look`, (n,).
    origin
        Sample of the interface echo where none is found, or of the clock's zero offset, (n,).
    gate_from, gate_stop
        From where the gate counts where no interface echo is found, and its end, (n,).
    early
        As from `diffraction.earliness`; may be empty.
    room
        To work in.
    settled
        Is filled in, (n, 18): `SETTLED`, then the values of `multiples.Series`, which lie where
        echoes would without spreading.
    """
    shift, keep, trial, left = room
    for row in range(signal.shape[0]):
        line, place, height, out = signal[row], sample[row], amplitude[row], settled[row]
        n = drop_side_lobes(place, height, count[row], lobes, keep)
        if rules.cosine:
            refine_extrema(line, place, height, n)
        out[0] = out[1] = np.nan
        measured, start = origin[row], gate_from[row]
        if rules.interface:
            at = interface_among(place, height, n, origin[row], rules.reach, rules.sign)
            if at >= 0:
                out[0], out[1] = place[at], height[at]
                measured = start = place[at]
                place, height, n = place[at + 1 :], height[at + 1 :], n - at - 1
        start += rules.after
        start = start if start > 0 else 0.0
        n = keep_between(place, height, n, start, gate_stop[row])
        highest = 0.0
        for i in range(n):
            highest = max(highest, abs(height[i]))
        counted = start
        if rules.behind_tail and measured + rules.tail > start:
            counted = measured + rules.tail
        series = out[8:]
        if early.size > 0:
            for i in range(n):
                shift[i] = early_at(early, place[i] - measured)
                place[i] += shift[i]
        best_series(
            place, height, n, measured, counted, gate_stop[row], level[row], law, trial, series
        )
        out[2], out[3], out[4], out[5] = start, n, highest, 0.0
        out[6], out[7] = series[2], series[3]
        if early.size > 0:
            out[6] -= early_at(early, series[2] - measured)
            out[7] -= early_at(early, series[3] - measured)
            for i in range(n):
                place[i] -= shift[i]
        if series[0] >= rules.evenness:
            begin = behind[row]
            if rules.interface:
                begin = _inside(measured + rules.tail, rules.end)
            end = _inside(out[7] + rules.tail, rules.end)
            out[5] = unexplained(line, begin, end, sigma[row], place, height, n, phases, left)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _inside(sample: float, m: int) -> int:
    """As `gate.inside`."""
    return min(int(sample), m) if sample > 0 else 0
