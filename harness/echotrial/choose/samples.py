"""Reference samples from readings of recordings: repeats pooled, wrong echoes refused."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from echotrial.choose.calibration import Sample
from echotrial.setup import Setup

#: Multiples of its thickness that a sample reads when another echo was taken for the wanted one.
WRONG_ECHO: Final = (1 / 3, 1 / 2, 2 / 3, 3 / 2, 2.0, 3.0)
#: A sample reads one of these when it is this near to it ...
NEAR: Final = 0.15
#: ... and further than this from its thickness (both relative to the latter).
FAR: Final = 0.20
#: Beyond the set-up's wall range by this share of its end, no evidence covers a sample.
OUTSIDE: Final = 0.05


@dataclass(frozen=True)
class Refusal:
    """A specimen that takes no part, and why."""

    name: str
    reason: str


def samples_from(
    readings: pd.DataFrame, truth: pd.DataFrame, setup: Setup, mode: int, time_u_s: float = 0.0
) -> tuple[list[Sample], list[Refusal]]:
    """Pool readings by specimen.

    Parameters
    ----------
    readings
        Of ONE detector over recordings, columns `columns.READINGS`.
    truth
        Columns `columns.TRUTH`; records without a wall take no part.
    mode
        In which the readings were made: mode 3 has no zero offset.
    time_u_s
        Standard uncertainty of one interval where repeats cannot tell it (a single trace).
    """
    known = truth[truth["thickness_mm"].notna()]
    both = readings.merge(known, on="record", suffixes=("", "_true"))
    samples, refused = [], []
    for name, rows in both.groupby("specimen", sort=False, observed=True):
        found = _pooled(str(name), rows, setup, mode, time_u_s)
        reason = _why_not(found, rows, setup) if found else "no reading in any of its records"
        if found is None or reason:
            refused.append(Refusal(str(name), reason))
        else:
            samples.append(found)
    return samples, refused


def _pooled(
    name: str, rows: pd.DataFrame, setup: Setup, mode: int, time_u_s: float
) -> Sample | None:
    """Median interval of a specimen's readings, and the standard uncertainty of their mean."""
    read = rows["thickness_mm"].dropna().to_numpy(np.float64) * 1e-3
    if not read.size:
        return None
    zero = 0.0 if mode == 3 else setup.zero_offset
    interval = setup.interval_s(read) + zero
    spread = np.std(interval, ddof=1) / np.sqrt(read.size) if read.size > 1 else 0.0
    stated = rows.get("thickness_u_mm", pd.Series([np.nan])).to_numpy(np.float64)
    uncertainty = float(stated[0]) * 1e-3 if np.isfinite(stated[0]) else 0.0
    true = float(rows["thickness_mm_true"].iloc[0]) * 1e-3
    u_t = max(float(spread), time_u_s / np.sqrt(read.size))
    return Sample(name, true, uncertainty, float(np.median(interval)), u_t)


def _why_not(sample: Sample, rows: pd.DataFrame, setup: Setup) -> str:
    """Why a specimen is refused; empty = it is not."""
    low, high = setup.wall_range
    d = sample.thickness_m
    if not low * (1 - OUTSIDE) <= d <= high * (1 + OUTSIDE):
        return (
            f"{d * 1e3:.4g} mm lies outside the set-up's wall range of {low * 1e3:.4g} to "
            f"{high * 1e3:.4g} mm, for which there is no evidence: use a sample inside"
        )
    ratios = rows["thickness_mm"].dropna().to_numpy(np.float64) * 1e-3 / d
    wrong = [w for w in map(wrong_echo, ratios) if w is not None]
    if not wrong:
        return ""
    usual = max(set(wrong), key=wrong.count)
    return (
        f"{len(wrong)} of {ratios.size} readings are near {usual:.3g} x {d * 1e3:.4g} mm: another "
        "echo was read; look at the A-scan, move the gate, measure again"
    )


def wrong_echo(ratio: float) -> float | None:
    """Which multiple of its thickness a sample reads (ratio = reading / thickness), None = right.

    A wrong velocity and zero offset shift a reading by some per cent, another echo by a third or
    more: what lies near none of the multiples is for the fit to judge.
    """
    if abs(ratio - 1) <= FAR:
        return None
    near = min(WRONG_ECHO, key=lambda j: abs(ratio - j))
    return near if abs(ratio - near) <= NEAR * near else None


def ends(samples: Sequence[Sample]) -> tuple[Sample, Sample]:
    """Thinnest and thickest sample."""
    by_wall = sorted(samples, key=lambda s: s.thickness_m)
    return by_wall[0], by_wall[-1]
