"""The integrity check of a corpus: what is damaged, and what looks wrong in it."""

import hashlib
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrial import quantities
from echotrial.corpus.spacing import first_s, spacings
from echotrial.corpus.store import Corpus, records_named
from echotrial.errors import Refused

_CHUNK = 4096
_NEAR_FULL = 0.98  # share of full scale (or of the corpus' own peak) where clipping is looked for
_DEAD = 1e-3  # peak-to-peak of a dead trace over that of the usual one


@dataclass(frozen=True)
class Finding:
    """One kind of thing that was found.

    Attributes
    ----------
    rule
        What was looked for.
    records
        Which records have it; empty where it concerns the whole corpus.
    says
        A sentence for the user.
    wrong
        True: the corpus is not what it should be. False: worth knowing.
    """

    rule: str
    records: tuple[int, ...]
    says: str
    wrong: bool


def check(corpus: Corpus) -> list[Finding]:
    """Look for everything that makes a corpus worth less than it seems.

    Damage is looked for first; a damaged corpus is not looked into any further.
    """
    try:
        corpus.verify()
    except Refused as error:
        return [Finding("checksum", (), str(error), wrong=True)]
    return [*_waveforms(corpus), *_outside(corpus), *_labels(corpus)]


def clipped(
    samples: NDArray[np.float32], full: float, watched: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Which records (n,) stay at one extreme value for two samples or more.

    Parameters
    ----------
    samples
        (n, m), full scale 1.
    full
        Largest magnitude in the corpus, where the recorder may have clipped below full scale;
        there three samples are needed, as two equal ones happen by chance.
    watched
        (n, m) samples to look at.
    """
    run = 2 if full >= _NEAR_FULL else 3
    flat = watched & (np.abs(samples) >= _NEAR_FULL * full)
    for step in range(1, run):
        same = samples[:, step:] == samples[:, :-step]
        flat[:, :-step] &= same
        flat[:, -step:] = False
    return np.asarray(flat.any(axis=1))


def _waveforms(corpus: Corpus) -> list[Finding]:
    """Clipped, dead and duplicate traces."""
    heights, peak = signal_heights(corpus)
    usual = float(np.median(heights))
    dead = np.flatnonzero(heights <= _DEAD * usual)
    cut = np.flatnonzero(clipped_records(corpus, peak))
    twins = [t for t in duplicates(corpus) if not set(t) <= set(dead.tolist())]
    found = []
    if dead.size:
        says = f"no signal: peak to peak under {_DEAD:g} of the usual {usual:.3g} of full scale"
        found.append(_finding("dead", dead, says, wrong=True))
    if twins:
        pairs = "; ".join(" = ".join(map(str, t)) for t in twins[:5])
        says = f"the same waveform, sample by sample ({pairs}{' ...' if len(twins) > 5 else ''})"
        found.append(_finding("duplicate", sorted(r for t in twins for r in t), says, wrong=True))
    if cut.size:
        share = f"{cut.size / len(corpus):.1%} of the records"
        says = f"clipped where echoes are looked for, at {peak:.3g} of full scale ({share})"
        found.append(_finding("clipped", cut, says, wrong=False))
    return found


def signal_heights(corpus: Corpus) -> tuple[NDArray[np.float64], float]:
    """Peak to peak of each record (n,), and the largest magnitude of all."""
    heights, peak = np.empty(len(corpus)), 0.0
    for start in range(0, len(corpus), _CHUNK):
        samples = corpus.batch(start, start + _CHUNK).samples
        heights[start : start + len(samples)] = np.ptp(samples, axis=1)
        peak = max(peak, float(np.abs(samples).max()))
    return heights, peak


def duplicates(corpus: Corpus) -> list[list[int]]:
    """Groups of records whose waveforms are equal, sample by sample.

    Eight bytes a record are kept; what they hold in common is compared in full.
    """
    digest, stored = np.empty(len(corpus), np.uint64), corpus.stored
    for record in range(len(corpus)):
        short = hashlib.blake2b(np.ascontiguousarray(stored[record]).data, digest_size=8).digest()
        digest[record] = int.from_bytes(short, "little")
    order = np.argsort(digest, kind="stable")
    same = digest[order[1:]] == digest[order[:-1]]
    found: dict[bytes, list[int]] = defaultdict(list)
    for i in np.flatnonzero(np.append(same, False) | np.append(False, same)):
        found[stored[order[i]].tobytes()].append(int(order[i]))
    return sorted(records for records in found.values() if len(records) > 1)


def clipped_records(corpus: Corpus, peak: float) -> NDArray[np.bool_]:
    """Which records (n,) are clipped where echoes are looked for; `peak` as in `clipped`."""
    found = []
    setup = corpus.setup
    # The excitation may clip; the interface echo may not.
    watched_from = first_s(setup) - (3 / setup.bandwidth_hz if setup.interface_echo else 0.0)
    for start in range(0, len(corpus), _CHUNK):
        batch = corpus.batch(start, start + _CHUNK)
        time = batch.start_s[:, None] + np.arange(corpus.n_samples) / corpus.rate_hz
        found.append(clipped(batch.samples, peak, time >= watched_from))
    return np.concatenate(found)


def _outside(corpus: Corpus) -> list[Finding]:
    low, high = corpus.setup.wall_range
    thickness = corpus.truth_of("thickness_mm")["thickness_mm"].to_numpy(dtype=np.float64) / 1e3
    outside = np.flatnonzero((thickness < low) | (thickness > high))
    if not outside.size:
        return []
    unit = corpus.setup.length_unit
    limits = " to ".join(f"{quantities.convert(x, 'length', unit):.4g}" for x in (low, high))
    says = f"walls outside the set-up's range of {limits} {unit}; they are scored apart"
    return [_finding("outside the range", outside, says, wrong=False)]


def _labels(corpus: Corpus) -> list[Finding]:
    """Records whose echoes contradict the stated truth.

    Where truth and waveforms were made together from a spec, a contradiction is a curiosity of
    the look, not an error of a label.
    """
    seen = spacings(corpus)
    wrong = np.flatnonzero(seen.verdict == "contradicts")
    if not wrong.size:
        return []
    stated = corpus.truth_of("thickness_mm")["thickness_mm"].to_numpy(dtype=np.float64) / 1e3
    unit = corpus.setup.length_unit

    def written(x: float, digits: int) -> str:
        return f"{quantities.convert(float(x), 'length', unit):.{digits}g} {unit}"

    each = "; ".join(
        f"{r}: stated {written(stated[r], 4)}, spaced as about {written(seen.thickness_m[r], 2)}"
        for r in wrong[:10]
    )
    says = f"echo spacing contradicts the stated truth ({each}{' ...' if wrong.size > 10 else ''})"
    made = corpus.manifest.synthetic is not None
    return [_finding("echo spacing", wrong, says, wrong=not made)]


def _finding(
    rule: str, records: Sequence[int] | NDArray[np.int64], says: str, *, wrong: bool
) -> Finding:
    numbers = tuple(int(r) for r in records)
    return Finding(rule, numbers, f"{records_named(numbers)}: {says}", wrong)
