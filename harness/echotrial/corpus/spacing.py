"""Does the spacing of the echoes agree with the stated truth? A look for label errors.

The spacing is sought where the magnitude of a record's analytic autocorrelation peaks, from after
the interface echo on, with what all thicknesses have in common (probe, ring-down) taken off. It
is a coarse look by design: it shares no code with any detector, gives no thickness, and says
nothing of walls thinner than its resolution.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
import pandas as pd
import scipy.fft
from numpy.typing import NDArray
from scipy.signal import find_peaks

from echotrial.ascan import Batch
from echotrial.corpus.store import Corpus
from echotrial.setup import Setup

Floats = NDArray[np.float64]
Verdict = Literal["agrees", "contradicts", "cannot be seen"]

# These were set on records made by other means than the forward model (a lattice of travelling
# waves, three scenarios) so that right labels raise hardly one false alarm in 300.
_GATE = 1.5  # start this many 1/bandwidth after the interface echo
_SHORTEST = 1.2  # spacings under this many 1/bandwidth cannot be seen
_LEAST = 0.06  # height from which a peak counts, relative to the autocorrelation at 0
_STRONGER = 2.0  # how much stronger another spacing must be than the stated one
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

    verdict: NDArray[np.str_]
    thickness_m: Floats


def spacings(corpus: Corpus) -> Spacings:
    """Compare the dominant echo spacing of every wall record with its stated thickness.

    A record contradicts its label when its own echoes do, or when those of all records of the
    same specimen and thickness do so together.
    """
    stated = corpus.truth["thickness_mm"].to_numpy(dtype=np.float64) / 1e3
    group = _groups(corpus.truth)
    common = _common(corpus, stated)
    shared = np.zeros((group.max(initial=-1) + 1, common.size))
    looks: list[Look] = []
    for start, batch in _chunks(corpus):
        lags, curves = autocorrelations(batch)
        curves -= common
        rows = slice(start, start + len(batch))
        looks += [look(lags, c, d, corpus.setup) for c, d in zip(curves, stated[rows], strict=True)]
        repeated = group[rows] >= 0
        np.add.at(shared, group[rows][repeated], curves[repeated])
    for number, total in enumerate(shared):
        members = np.flatnonzero(group == number)
        together = look(lags, total / members.size, stated[members[0]], corpus.setup)
        if together.verdict == "contradicts":
            for record in members:
                looks[record] = together
    return Spacings(
        np.array([seen.verdict for seen in looks]),
        corpus.setup.velocity / 2 * np.array([seen.spacing_s for seen in looks]),
    )


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
    """Weights that rise from 0 to 1 within 1/bandwidth, so that the gate makes no echo itself."""
    m = batch.samples.shape[1]
    time = batch.start_s[:, None] + np.arange(m) / batch.rate_hz
    rise = np.clip((time - first_s(batch.setup)) * batch.setup.bandwidth_hz + 0.5, 0, 1)
    return (np.sin(np.pi / 2 * rise) ** 2).astype(np.float32)


def _lags(batch: Batch) -> int:
    """Lags worth looking at: to 1.2 times the thickest wall, and 4/5 of the record."""
    longest = 1.2 * float(batch.setup.interval_s(batch.setup.wall_range[1]))
    return min(int(longest * batch.rate_hz) + 6, int(0.8 * batch.samples.shape[1]))


def look(lags: Floats, curve: Floats, stated_m: float, setup: Setup) -> Look:
    """Judge one curve (k,): is another spacing clearly stronger than that of the stated wall?

    A spacing of some round trips of the stated wall is no contradiction where the stated one is
    there too: every second echo of a train is spaced evenly as well.
    """
    stated = float(setup.interval_s(stated_m))
    shortest = _SHORTEST / setup.bandwidth_hz
    places, found = find_peaks(curve, prominence=0.01, height=0.01)
    height = np.minimum(found["prominences"], found["peak_heights"])
    late = lags[places] >= shortest / _SHORTEST
    spacing, height = lags[places][late], height[late]
    if not (shortest <= stated <= lags[-1]) or height.max(initial=0.0) < _LEAST:
        return Look("cannot be seen", np.nan)
    near = np.abs(spacing - stated) <= _tolerance_s(stated, setup)
    own = height[near].max(initial=0.0)
    strongest = int(np.argmax(height))
    trips = spacing[strongest] / stated
    whole = trips > 1.5 and abs(trips - round(trips)) * stated <= _tolerance_s(stated, setup)
    justified = whole and own >= height[strongest] / 4
    if near[strongest] or justified or height[strongest] < _STRONGER * own:
        return Look("agrees", float(spacing[strongest]))
    return Look("contradicts", float(spacing[strongest]))


def _tolerance_s(stated_s: float, setup: Setup) -> float:
    """Half a period, or 4 % and what is said of the velocity."""
    share = 0.04 + 2 * setup.velocity_uncertainty / setup.velocity
    return max(0.5 / setup.centre_frequency, share * stated_s)


def _groups(truth: pd.DataFrame) -> NDArray[np.int64]:
    """Number of each record's specimen and thickness; -1 where it has no wall or is alone."""
    label = truth["specimen"].astype(str) + truth["thickness_mm"].map(" {:.9g}".format)
    label = label.where(truth["thickness_mm"].notna() & label.duplicated(keep=False))
    return np.asarray(pd.factorize(label)[0], dtype=np.int64)


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
