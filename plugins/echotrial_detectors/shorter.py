"""Whether a record repeats itself at a half, third or quarter of the spacing that was read.

Spikes and resonances can settle on every second or third echo. The autocorrelation of the record
behind the interface echo's tail tells: a train of echoes at a spacing holds nothing at a half of it
beyond what one echo's own shape puts there. It goes by no mark, so it errs apart from the search.
"""

import numba
import numpy as np
import scipy
from echotrial.ascan import Batch, Readings, Reason
from numpy.typing import NDArray

from echotrial_detectors.kernels import COUNTS_NOTHING
from echotrial_detectors.noise import fixed
from echotrial_detectors.peaks import cosine_peak
from echotrial_detectors.plan import Plan
from echotrial_detectors.pulse import frequencies, pulse_spectrum, shape_of

#: A shorter spacing counts if it repeats this share as well as the one that was read.
AS_WELL = 0.6
#: Share of the energy behind the tail that repeats a spacing later, at least, in a train of echoes.
AT_LEAST = 0.10
#: Parts of a spacing that are looked at.
PARTS = (2, 3, 4)
READ = int(Reason.READ)
NOTHING_REPEATS, SHORTER_REPEATS = int(Reason.NO_SECOND_ECHO), int(Reason.AMBIGUOUS)


class Repeats:
    """The check, for the set-up of a plan; one echo's own repeats wait for length and rate.

    It looks at so many spacings of a record, or at all of it.
    """

    def __init__(self, plan: Plan, spacings: float = np.inf) -> None:
        self._plan, self._spacings = plan, spacings
        self._own: dict[tuple[int, float], tuple[NDArray[np.float64], int]] = {}

    def kept(self, readings: Readings, batch: Batch) -> Readings:
        """The readings without those whose record repeats at a part of their spacing (mode 3)."""
        plan, rate = self._plan, batch.rate_hz
        if plan.mode != 3:
            return readings
        key = (batch.n_fft, rate)
        if key not in self._own:
            self._own[key] = own_repeats(plan, *key)
        own, tail = self._own[key]
        interface_s = -np.inf if plan.interface_s is None else plan.interface_s
        begin = np.maximum(readings.gate_start_s, interface_s + tail / rate)
        start = np.nan_to_num((begin - batch.start_s) * rate)
        spacing = 2 * readings.thickness_m / plan.setup.velocity * rate
        least = max(plan.spacing_min_s * rate, 2.0)
        ramp = np.arange(batch.samples.shape[1], dtype=np.float32)
        samples, doubt = fixed(np.asarray(batch.samples)), np.full(len(batch), READ, np.int8)
        _repeats(
            samples, ramp, start, spacing, self._spacings, least, plan.alternation, own,
            np.empty_like(ramp), doubt,
        )  # fmt: skip
        return _without(readings, doubt)


def own_repeats(plan: Plan, n_fft: int, rate_hz: float) -> tuple[NDArray[np.float64], int]:
    """Autocorrelation of one echo by lag in samples, 1 at lag 0, and samples of an echo's tail."""
    pulse = pulse_spectrum(plan.setup, frequencies(n_fft, rate_hz))
    line = scipy.fft.irfft(np.abs(pulse) ** 2, n=n_fft)
    return np.asarray(line / line[0], dtype=np.float64), shape_of(pulse, n_fft).tail


def _without(readings: Readings, doubt: NDArray[np.int8]) -> Readings:
    """Readings of the records that are in no doubt, and the reason for the others' silence."""
    silent = doubt != READ

    def kept(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.where(silent, np.nan, values)

    return Readings(
        kept(readings.thickness_m),
        kept(readings.first_echo_s),
        kept(readings.second_echo_s),
        kept(readings.spans),
        readings.gate_start_s,
        readings.gate_end_s,
        kept(readings.confidence),
        np.where(silent, doubt, readings.reason).astype(np.int8),
    )


@numba.njit(**COUNTS_NOTHING)
def _repeats(
    signal: NDArray[np.float32], ramp: NDArray[np.float32], start: NDArray[np.float64],
    spacing: NDArray[np.float64], spacings: float, least: float, alternation: int,
    own: NDArray[np.float64], level: NDArray[np.float32], doubt: NDArray[np.int8],
) -> None:  # fmt: skip
    """Mark the records (spacing NaN: none) that repeat at a part of their spacing.

    So many `spacings` of each are looked at. `ramp` holds 0, 1, 2 ... as floats, `level` is to
    work in, (m,).
    """
    for row in range(signal.shape[0]):
        first = int(start[row]) if start[row] > 0 else 0
        length = signal.shape[1] - first
        if spacings * spacing[row] < length:
            length = int(spacings * spacing[row]) + 1
        if not 0 < spacing[row] < length - 2:
            continue
        line = level[:length]
        energy = _levelled(signal[row, first : first + length], ramp, line)
        whole = _at_lag(line, spacing[row], alternation)
        if whole < AT_LEAST * energy:
            doubt[row] = NOTHING_REPEATS
            continue
        for part in PARTS:
            lag = spacing[row] / part
            if lag < least:
                continue
            near = int(np.rint(lag))
            rest = abs(own[near]) * (energy + whole if part == 2 else energy)
            if _at_lag(line, lag, alternation) - rest > AS_WELL * whole:
                doubt[row] = SHORTER_REPEATS
                break


@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract", "nsz"})
def _levelled(
    record: NDArray[np.float32], ramp: NDArray[np.float32], out: NDArray[np.float32]
) -> float:
    """Into `out` the record without its straight line, which an offset or hum repeats at any lag.

    Returns what energy is left. `ramp` holds 0, 1, 2 ... as floats.
    """
    n = record.size
    middle = np.float32(0.5 * (n - 1))
    mean, moment = np.float32(0), np.float32(0)
    for i in range(n):
        mean += record[i]
        moment += record[i] * (ramp[i] - middle)
    mean /= np.float32(n)
    slope = np.float32(12 * moment / (n * (n * n - 1.0)))
    energy = np.float32(0)
    for i in range(n):
        rest = record[i] - mean - slope * (ramp[i] - middle)
        out[i] = rest
        energy += rest * rest
    return float(energy)


@numba.njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract", "nsz"})
def _at_lag(line: NDArray[np.float32], lag: float, sign: int) -> float:
    """Highest of the autocorrelation of a sign (0: of either) within a sample of a lag."""
    near = int(np.rint(lag))
    left, centre, right = np.float32(0), np.float32(0), np.float32(0)
    # three views, because an index that might be negative keeps the sums one lane wide
    before, at, after = line[near - 1 :], line[near:], line[near + 1 :]
    for i in range(after.size):
        left += line[i] * before[i]
        centre += line[i] * at[i]
        right += line[i] * after[i]
    if sign < 0 or (sign == 0 and max(left, centre, right) < -min(left, centre, right)):
        left, centre, right = -left, -centre, -right
    best = max(left, centre, right)
    if centre == best and best > 0:
        return float(cosine_peak(float(left), float(centre), float(right))[1])
    return float(best)
