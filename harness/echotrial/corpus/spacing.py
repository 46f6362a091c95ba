"""Does the spacing of the echoes agree with the stated truth? A look for label errors.

The spacing is sought where the magnitude of a record's analytic autocorrelation peaks, from after
the interface echo on, with what all thicknesses have in common (probe, ring-down) taken off. Where
that shows nothing, but one echo stands alone, its delay from the interface echo takes its place.

It is a coarse look by design: it shares no code with any detector, gives no thickness, finds
errors from some ten per cent on, and says nothing of walls thinner than its resolution.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
import pandas as pd
import scipy.fft
from numpy.typing import NDArray
from scipy.signal import find_peaks, hilbert

from echotrial.ascan import Batch
from echotrial.corpus.store import Corpus
from echotrial.setup import Setup

Floats = NDArray[np.float64]
Verdict = Literal["agrees", "contradicts", "cannot be seen"]

# These were set on three default corpora and on records by other means (a lattice of travelling
# waves): one false alarm in 3,200 walls judged; two of three planted errors of 15 % or more found
# where both walls, the true and the stated one, are over a wavelength. On twelve families that
# they were not set on: 13 false alarms in 1,354, 7 of them where echoes hide in a tail.
_GATE = 1.5  # start this many 1/bandwidth after the interface echo
_TRIPS = 6  # round trips of the thickest wall for which echoes are looked at
_SHORTEST = 1.2  # spacings under this many 1/bandwidth cannot be seen
_LEAST = 0.06  # height from which a peak counts, relative to the autocorrelation at 0
_NOISE = 0.5  # share of noise in what the gate lets through, from which nothing can be seen
_STRONGER = 2.0  # how much stronger another spacing must be than the stated one
_ALONE = 3.0  # how far a lonely echo stands above everything that is not beside it
_PERIODS, _SHARE = 0.75, 0.10  # what is near: so many periods, or such a share of the spacing
_GROUPS = 4  # thicknesses from which on it can be told what they have in common
_CHUNK = 1024
_SAMPLE = 2048  # records from which the common part is taken


class Look(NamedTuple):
    """What the echoes of one record say of its label; `spacing_s` is the dominant spacing."""

    verdict: Verdict
    spacing_s: float


@dataclass(frozen=True)
class Spacings:
    """Dominant spacings of all records.

    Attributes
    ----------
    verdict
        (n,) of `Verdict`; records without a wall are ``cannot be seen``.
    thickness_m
        (n,) what the dominant spacing would be the thickness of; NaN where none was seen.
    """

    verdict: NDArray[np.object_]
    thickness_m: Floats


def spacings(corpus: Corpus) -> Spacings:
    """Compare the dominant echo spacing of every wall record with its stated thickness.

    A record contradicts its label when its own echoes do, or when those of all records of the
    same specimen and thickness do so together.
    """
    stated = corpus.truth_of("thickness_mm")["thickness_mm"].to_numpy(dtype=np.float64) / 1e3
    group = _groups(corpus.specimens(), stated)
    common = _common(corpus, stated)
    shared = np.zeros((group.max(initial=-1) + 1, common.size))
    verdict, spacing_s = np.empty(len(corpus), dtype=object), np.empty(len(corpus))
    for start, batch in _chunks(corpus):
        lags, curves = autocorrelations(batch)
        curves -= common
        curves[noisy(batch)] = 0.0
        rows = slice(start, start + len(batch))
        seen = zip(curves, lonely_s(batch), stated[rows], strict=True)
        looks = [look(lags, c, d, corpus.setup, alone) for c, alone, d in seen]
        verdict[rows], spacing_s[rows] = zip(*looks, strict=True)
        repeated = group[rows] >= 0
        np.add.at(shared, group[rows][repeated], curves[repeated])
    for number, total in enumerate(shared):
        members = np.flatnonzero(group == number)
        together = look(lags, total / members.size, stated[members[0]], corpus.setup)
        if together.verdict == "contradicts":
            verdict[members], spacing_s[members] = together
    return Spacings(verdict, corpus.setup.velocity / 2 * spacing_s)


def autocorrelations(batch: Batch) -> tuple[Floats, Floats]:
    """Magnitude of each record's analytic autocorrelation over its value at lag 0.

    Returns
    -------
    lags : (k,) seconds, up to what the wall range asks for
    curves : (n, k)
    """
    m = batch.samples.shape[1]
    size = scipy.fft.next_fast_len(2 * m, real=True)
    power = np.abs(scipy.fft.rfft(batch.samples * _gate(batch), n=size, axis=1)) ** 2
    power *= _band(scipy.fft.rfftfreq(size, 1 / batch.rate_hz), batch.setup)
    one_sided = np.zeros((len(batch), size), dtype=np.float32)
    one_sided[:, : power.shape[1]] = power
    found = np.abs(scipy.fft.ifft(one_sided, axis=1))[:, : _lags(batch)].astype(np.float64)
    return np.arange(found.shape[1]) / batch.rate_hz, found / np.maximum(found[:, :1], 1e-30)


def first_s(setup: Setup) -> float:
    """From where on echoes of the wall are looked for: after the interface echo.

    Without an interface time that is where the thinnest wall's echo would come.
    """
    if setup.interface_echo is None:
        return float(setup.interval_s(setup.wall_range[0]))
    return setup.interface_echo + _GATE / setup.bandwidth_hz


def _gate(batch: Batch) -> NDArray[np.float32]:
    """Weights that rise and fall within 1/bandwidth, so that the gate makes no echo itself.

    It is open for a few round trips of the thickest wall; later on come echoes of the delay line.
    """
    setup, m = batch.setup, batch.samples.shape[1]
    first = first_s(setup)
    last = first + _TRIPS * float(setup.interval_s(setup.wall_range[1]))
    time = batch.start_s[:, None] + np.arange(m) / batch.rate_hz
    inside = np.minimum(time - first, last - time) * setup.bandwidth_hz
    return (np.sin(np.pi / 2 * np.clip(inside + 0.5, 0, 1)) ** 2).astype(np.float32)


def noisy(batch: Batch) -> NDArray[np.bool_]:
    """Which records (n,) hold too much noise where echoes are looked for.

    The noise is what the quietest eighth of a record holds.
    """
    power = batch.samples**2
    blocks = np.array_split(power, 8, axis=1)
    quiet = np.min([block.mean(axis=1) for block in blocks], axis=0)
    weights = _gate(batch) ** 2
    return np.asarray(quiet * weights.sum(axis=1) > _NOISE * (power * weights).sum(axis=1))


def _band(frequency: Floats, setup: Setup) -> NDArray[np.float32]:
    """Weights that leave out noise beyond the probe's band: 0.7 at its -6 dB limits."""
    off = (frequency - setup.centre_frequency) / (setup.bandwidth_hz / 2)
    return (2.0 ** -(0.5 * off**2)).astype(np.float32)


def _lags(batch: Batch) -> int:
    """Lags worth looking at: to 1.2 times the thickest wall, and 4/5 of the record."""
    longest = 1.2 * float(batch.setup.interval_s(batch.setup.wall_range[1]))
    return min(int(longest * batch.rate_hz) + 6, int(0.8 * batch.samples.shape[1]))


def lonely_s(batch: Batch) -> Floats:
    """Delay (n,) from the interface echo to the one echo that stands alone; NaN where none does.

    In mode 1 it is counted from time zero and the zero offset.
    """
    setup, m = batch.setup, batch.samples.shape[1]
    origin = setup.zero_offset if setup.interface_echo is None else setup.interface_echo
    if setup.interface_echo is None and setup.mode != 1:
        return np.full(len(batch), np.nan)
    envelope = np.abs(hilbert(batch.samples * _gate(batch), axis=1))
    top = envelope.argmax(axis=1)
    beside = np.abs(np.arange(m) - top[:, None]) <= 2 / setup.bandwidth_hz * batch.rate_hz
    rest = np.where(beside, 0.0, envelope).max(axis=1)
    alone = envelope.max(axis=1) >= _ALONE * rest
    delay = batch.start_s + top / batch.rate_hz - origin
    return np.where(alone & (rest > 0), delay, np.nan)


def look(
    lags: Floats, curve: Floats, stated_m: float, setup: Setup, lonely: float = np.nan
) -> Look:
    """Judge one curve (k,): is another spacing clearly stronger than that of the stated wall?

    A spacing of some round trips of the stated wall is no contradiction where the stated one is
    there too: every second echo of a train is spaced evenly as well. Half the stated spacing has to
    be clearly stronger, as any other: a flaw half-way gives such echoes on a sound label.
    """
    stated = float(setup.interval_s(stated_m))
    near = max(_PERIODS / setup.centre_frequency, _share(setup) * stated)
    spacing, height = _peaks(lags, curve, setup)
    if not stated >= _SHORTEST / setup.bandwidth_hz:
        return Look("cannot be seen", np.nan)
    if stated > lags[-1] or not height.size:
        if np.isnan(lonely) or stated < (_GATE + 1) / setup.bandwidth_hz:
            return Look("cannot be seen", np.nan)
        return Look("agrees" if abs(lonely - stated) <= near else "contradicts", lonely)
    own = float(height[np.abs(spacing - stated) <= near].max(initial=0.0))
    strongest, most = float(spacing[height.argmax()]), float(height.max())
    trips = round(strongest / stated)
    justified = abs(strongest - trips * stated) <= near and trips > 1 and own >= most / 4
    agrees = abs(strongest - stated) <= near or justified or most < _STRONGER * own
    return Look("agrees" if agrees else "contradicts", strongest)


def _peaks(lags: Floats, curve: Floats, setup: Setup) -> tuple[Floats, Floats]:
    """Spacings and heights of the peaks of a curve; none where all are low."""
    late = lags >= 1 / setup.bandwidth_hz
    places, found = find_peaks(curve, prominence=0.01, height=0.01)
    height = np.minimum(found["prominences"], found["peak_heights"])[late[places]]
    if height.max(initial=0.0) < _LEAST:
        return np.empty(0), np.empty(0)
    return lags[places][late[places]], height


def _share(setup: Setup) -> float:
    return _SHARE + 2 * setup.velocity_uncertainty / setup.velocity


def _groups(specimen: NDArray[np.uint64], stated: Floats) -> NDArray[np.int64]:
    """Number of each record's specimen and thickness; -1 where it has no wall or is alone."""
    # an odd factor (2^64 over the golden ratio; Knuth, TAOCP 3, 6.4) spreads what is alike
    label = specimen * np.uint64(0x9E3779B97F4A7C15) ^ np.ascontiguousarray(stated).view(np.uint64)
    _, label, count = np.unique(label, return_inverse=True, return_counts=True)
    repeated = np.isfinite(stated) & (count[label] > 1)
    found = np.full(stated.size, -1)
    found[repeated] = np.unique(label[repeated], return_inverse=True)[1]
    return found


def _common(corpus: Corpus, stated: Floats) -> Floats:
    """What the curves of all thicknesses share: the median over the thicknesses' medians.

    Nothing, where there are too few thicknesses to tell it from the echoes.
    """
    batch = corpus.batch(0, _SAMPLE)
    _, curves = autocorrelations(batch)
    walls = np.isfinite(stated[: len(batch)])
    sizes = pd.Series(stated[: len(batch)][walls])
    if sizes.nunique() < _GROUPS:
        return np.zeros(curves.shape[1])
    medians = pd.DataFrame(curves[walls]).groupby(sizes.to_numpy()).median()
    return np.asarray(medians.median(), dtype=np.float64)


def _chunks(corpus: Corpus) -> Iterator[tuple[int, Batch]]:
    for start in range(0, len(corpus), _CHUNK):
        yield start, corpus.batch(start, start + _CHUNK)
