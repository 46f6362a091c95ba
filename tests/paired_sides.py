"""Invented answers to invented records, for tests of comparisons: no A-scan is behind any of it."""

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from echotrial.compare import CorpusSide, Side, answers

SCORING = {
    "tolerance": {"relative": "1 %", "absolute": "5 um"},
    "wall_range": ["0.2 mm", "2 mm"],
}
DRY_EVERY = 10


def truth_of(n: int, specimens: int | None = None) -> pd.DataFrame:
    """n records, walls evenly from 0.25 to 1.9 mm; every tenth has no wall."""
    wall = np.linspace(0.25, 1.9, n)
    wall[::DRY_EVERY] = np.nan
    names = np.arange(n) if specimens is None else np.arange(n) * specimens // n
    return pd.DataFrame(
        {
            "record": np.arange(n),
            "thickness_mm": wall,
            "echo_snr_db": 30.0 + np.arange(n) % 7,
            "specimen": [f"piece {i}" for i in names],
        }
    )


def answer(truth: pd.DataFrame, **changes: Any) -> Any:
    """All hits without error (quiet where there is no wall), but for `changes`.

    Parameters
    ----------
    changes
        ``outcome``, ``direction``, ``error_um``: record -> value.
    """
    n = len(truth)
    empty = truth["thickness_mm"].isna().to_numpy()
    columns = {
        "outcome": np.where(empty, "quiet", "hit").astype(object),
        "direction": np.full(n, "", dtype=object),
        "error_um": np.where(empty, np.nan, 0.0),
    }
    for name, values in changes.items():
        for record, value in values.items():
            columns[name][record] = value
    return answers(columns["outcome"], columns["direction"], columns["error_um"])


def side(
    label: str,
    per_detector: Mapping[str, Any],
    truth: pd.DataFrame,
    *,
    name: str = "made",
    identity: str = "0123456789abcdef",
    origin: str = "synthetic",
    scoring: Mapping[str, Any] = SCORING,
) -> Side:
    """A side of one corpus."""
    records = truth["record"].to_numpy()
    corpus = CorpusSide(name, identity, origin, scoring, records, per_detector, truth)
    info = {"version": "1", "settings": {}, "source_digest": "0"}
    return Side(label, {name: corpus}, dict.fromkeys(per_detector, info))


class Population:
    """What a detector does on average: rates, errors, and how much of them new noise changes.

    Of walls in range `hit`, `lock` (half of it thick) and the rest silent. Errors have heavy tails
    (Student, 5 degrees of freedom). New noise draws `fresh` of the outcomes and of the error's
    variance anew; the rest belongs to the record.
    """

    hit, lock, spread_um, fresh = 0.90, 0.015, 1.5, 0.3

    def __init__(self, n: int, rng: np.random.Generator) -> None:
        self.truth = truth_of(n)
        self.rng = rng
        self.place, self.own = rng.random(n), self._errors(n)

    def _errors(self, n: int) -> np.ndarray:
        return self.rng.standard_t(5, n) / np.sqrt(5 / 3)

    def draw(
        self,
        *,
        more_locks: float = 0.0,
        bias_um: float = 0.0,
        spread: float = 1.0,
        middle_um: float = 0.0,
    ) -> Any:
        """Answers under new noise, with a regression or without.

        `more_locks` turns hits into false locks; `middle_um` moves four readings of five up by so
        much and the fifth down by four times that: the mean stays, the median moves.
        """
        n, rng = len(self.truth), self.rng
        place = np.where(rng.random(n) < self.fresh * 0.1, rng.random(n), self.place)
        error = np.sqrt(1 - self.fresh) * self.own + np.sqrt(self.fresh) * self._errors(n)
        error = self.spread_um * spread * error + bias_um
        error += np.where(rng.random(n) < 0.2, -4 * middle_um, middle_um)
        locked = (place >= self.hit) & (place < self.hit + self.lock) | (place < more_locks)
        outcome = np.where(locked, "stray", np.where(place < self.hit, "hit", "dropout"))
        error = np.where(locked, 300.0 * rng.choice([-1, 1], n), error)
        error[outcome == "dropout"] = np.nan
        empty = self.truth["thickness_mm"].isna().to_numpy()
        outcome = np.where(empty, np.where(place < 0.02, "phantom", "quiet"), outcome)
        error[empty] = np.nan
        direction = np.where(outcome == "stray", np.where(error > 0, "thick", "thin"), "")
        return answers(outcome, direction, error)
