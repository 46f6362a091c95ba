"""Trials for tests of reports: invented A-scans whose readings, right and wrong, are planted."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from echotrial import host as hosts
from echotrial.corpus.store import Corpus
from echotrial.trial import Trial, conduct
from echotrial.trial.conduct import Request

from tests.corpus_fixtures import train, write_corpus

TOLD = Path(__file__).with_name("told_detectors.py")
INTERFACE_US, US_PER_MM = 2.2, 0.4
#: Wall by how much the reading is off, mm, in turn: hits, off, half, double, a cycle, stray.
KINDS = ("hit", "off", "half", "double", "cycle", "stray", "tail", "silent")


def truth_of(n: int, dry_every: int = 8) -> pd.DataFrame:
    """Walls from 0.4 mm (outside the range) to 2 mm; every so many records are dry or a wet tip."""
    number = np.arange(n)
    no_wall = number % dry_every == dry_every - 1 if dry_every else np.zeros(n, dtype=bool)
    wall = np.where(
        no_wall, np.nan, np.linspace(0.4, 2.0, n)[np.random.default_rng(1).permutation(n)]
    )
    orders = [np.arange(1, 5) * US_PER_MM * w + INTERFACE_US for w in wall]
    return pd.DataFrame(
        {
            "specimen": [f'piece {i} "<b>ü</b>"' for i in number],
            "thickness_mm": wall,
            "thickness_u_mm": 0.0,
            "kind": np.where(no_wall, np.where(number % 3 == 0, "wet tip", "dry"), "wall"),
            "interface_us": INTERFACE_US,
            "back_wall_us": [list(t) if np.isfinite(t[0]) else [] for t in orders],
            "back_wall_stands": [[True] * 4 if np.isfinite(t[0]) else [] for t in orders],
            "velocity_true_m_s": 5000.0,
            "wall_wavelengths": wall / 0.5,
            "echo_snr_db": 12.0 + number % 25,
            "tail_end_us": 2.42,
            "couplant_gap_um": 1.0 + number % 18,
            "bound_um": np.where(no_wall, np.nan, 0.4),
            "operator": np.where(number % 2, "Zoë <script>alert(1)</script>", "A & B"),
        }
    )


def told(truth: pd.DataFrame) -> np.ndarray:
    """Readings (mm), confidences and marks (us) of each record, (n, 4)."""
    found = np.zeros((len(truth), 4))
    for i, row in enumerate(truth.to_dict("records")):
        wall, kind = row["thickness_mm"], KINDS[(i // 3) % len(KINDS)]
        if np.isnan(wall):
            found[i] = (0.9, 0.5, 2.2, 2.56) if i % 4 == 3 and i % 16 > 8 else 0
            continue
        planted = {"off": wall + 0.03, "half": wall / 2, "double": 2 * wall, "cycle": wall + 0.25}
        planted |= {"stray": wall + 0.17, "tail": 0.35, "silent": 0.0}
        read = planted.get(kind, wall + 0.001)
        first = INTERFACE_US + (0.03 if kind == "tail" else 0.0)
        sure = 0.9 if kind in ("hit", "off") else 0.35
        found[i] = (read, sure + 0.05 * np.sin(i), first, first + US_PER_MM * read)
    return found


def corpus_at(
    folder: Path, n: int = 360, *, prove: int | None = None, dry_every: int = 8
) -> Corpus:
    """A corpus whose first samples say what the detectors of `told_detectors` will answer."""
    truth = truth_of(n, dry_every)
    waves = np.stack([train(w, noise=0.004, seed=i) for i, w in enumerate(truth["thickness_mm"])])
    said = told(truth)
    waves[:, 0] = 0
    waves[:, 1:3] = said[:, :2]
    waves[:, 3:5] = said[:, 2:] / 10
    return write_corpus(folder, waves, truth, prove=prove if prove is not None else n)


def trial_of(
    folder: Path,
    corpora: Sequence[Corpus],
    detectors: Sequence[str] = (),
    plugin: Path = TOLD,
    **more: Any,
) -> Trial:
    """A trial of the told detectors, or of those in another file."""
    host = hosts.load([plugin], use_entry_points=False)
    assert not host.failures
    return conduct(Request(corpora, host.chosen(detectors), {}), folder, **more)
