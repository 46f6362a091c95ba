"""Records and their truth, tile by tile: the same bytes whatever stretch is asked for."""

from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
from echotrial.hooks import SyntheticRecords
from numpy.typing import NDArray

from echotrial_corpora.bound import sampled_bound_m
from echotrial_corpora.chain import chain_of
from echotrial_corpora.digitise import digitise
from echotrial_corpora.draw import draw
from echotrial_corpora.grain import grain_spectra
from echotrial_corpora.noise import noise
from echotrial_corpora.reference import reference_peak
from echotrial_corpora.strata import strata
from echotrial_corpora.synthesis import respond
from echotrial_corpora.truth import Echoes, columns, echoes_of

if TYPE_CHECKING:
    from echotrial_corpora.spec import CorpusSpec

#: Records worked on at once. Fixed and aligned to the index, because batched transforms and
#: vectorised functions may round differently in batches of other shapes.
TILE = 128
#: Bytes; a tile's arrays take some 8 MB.
KEPT = 1 << 24
#: Peak of a record's noise over its rms.
NOISE_PEAK = 4.0
#: dB in a Neper.
DB = 20 / np.log(10)
Columns = dict[str, Any]


def records(spec: "CorpusSpec", split: str, seed: int, start: int, stop: int) -> SyntheticRecords:
    """Records `start` to `stop` of a split, with what is known and what is true of them."""
    samples = np.empty((stop - start, spec.samples), np.int16)
    parts: list[tuple[Columns, slice]] = []
    for first in range(start - start % TILE, stop, TILE):
        made, table = _tile(spec, split, seed, first)
        here = slice(max(start - first, 0), min(stop - first, TILE))
        samples[first + here.start - start : first + here.stop - start] = made[here]
        parts.append((table, here))
    joined = _joined(parts)
    known = {"start_us": joined.pop("start_us")}
    joined["specimen"] = [f"{split} {i}" for i in range(start, stop)]
    return SyntheticRecords(samples, known, joined)


def _tile(
    spec: "CorpusSpec", split: str, seed: int, first: int
) -> tuple[NDArray[np.int16], Columns]:
    _keep_memory()
    chain, names = chain_of(spec), ("record", spec.draw_key, split, seed, first // TILE)
    params = draw(spec, names, TILE)
    response = respond(spec, params, grain_spectra(spec, chain, names, TILE))
    peaks = np.maximum(response.clean.max(axis=1), -response.clean.min(axis=1))
    # what a dried film takes from the echoes is written as more noise
    sigma = peaks * 10 ** (-params["snr"] * DB / 20) / params["through"]
    echoes = echoes_of(response, sigma)
    gain = gains(spec, params, peaks, sigma, echoes)
    bits = spec.receiver.bits
    made = noise(chain, names, params)
    out = digitise(params, response.clean, gain, made, sigma * gain, spec.rate, bits)
    table = columns(response, echoes, sigma, peaks)
    table |= {"thickness_u_mm": np.where(np.isnan(table["thickness_mm"]), np.nan, 0.0)}
    table |= {"bound_um": 1e6 * sampled_bound_m(spec, params, gain, sigma * gain)}
    table |= {"start_us": params["start"] * 1e6}
    return out, table | strata(spec, params, gain)


@cache
def _keep_memory() -> None:
    """Let glibc keep what a tile has freed for the next one.

    It does so up to twice the largest block that has been freed; below, every tile's memory came
    anew from the system: 1,300 page faults, a tenth of the time. Elsewhere this does nothing.
    """
    np.empty(KEPT, np.uint8)


def gains(
    spec: "CorpusSpec",
    params: np.ndarray,
    peaks: NDArray[np.float64],
    sigma: NDArray[np.float64],
    echoes: Echoes,
) -> NDArray[np.float64]:
    """Gain of each record: its peak, its first back-wall echo or the bare tip's echo to height.

    Behind a dried film it is the peak of echo and noise, of which a record holds some 4 sigma.
    """
    height: NDArray[np.float64] = params["height"]
    if spec.receiver.gain == "fixed":
        return np.asarray(height / reference_peak(spec) * params["through"])
    peaks = np.where(params["through"] < 1, np.maximum(peaks, NOISE_PEAK * sigma), peaks)
    if spec.receiver.gain == "first echo":
        first = echoes.height[:, 0]
        return np.asarray(height / np.where(np.isnan(first), peaks, first))
    return np.asarray(height / peaks)


def _joined(parts: list[tuple[Columns, slice]]) -> Columns:
    found: Columns = {}
    for name, like in parts[0][0].items() if parts else ():
        pieces = [table[name][here] for table, here in parts]
        flat = isinstance(like, np.ndarray)
        found[name] = np.concatenate(pieces) if flat else [v for p in pieces for v in p]
    return found
