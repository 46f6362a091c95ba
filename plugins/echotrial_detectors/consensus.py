"""Consensus: several detectors read, the likeliest wall wins, and where they disagree none does.

Each member's confidence is turned into a probability of a hit by its frozen map where there is
one. Readings within tolerance of each other support one wall; members are taken as independent
given the wall, which they are not, so the joint probability is a ranking, not a promise.
"""

from collections.abc import Sequence
from functools import partial
from importlib import import_module
from typing import Any, ClassVar, Literal

import numpy as np
from echotrial.ascan import Batch, Readings, Reason
from echotrial.detector import Detect, Invariance, Maps, Settings, setting
from echotrial.errors import NotApplicable
from echotrial.setup import Setup
from numpy.typing import NDArray

#: Members by name, the most trusted one first; those that read the same echoes the same way count
#: once: threshold and the envelope are not both here.
_PANEL = {
    "model-fit": ("model_fit", "ModelFit"),
    "correlation": ("correlation", "Correlation"),
    "envelope": ("envelope", "Envelope"),
    "cepstral": ("cepstral", "Cepstral"),
    "autocorrelation": ("autocorrelation", "Autocorrelation"),
}


class ConsensusSettings(Settings):
    """Settings of `Consensus`; its members keep their own defaults."""

    panel: Literal["all", "without model-fit"] = setting(
        "all", "detectors that are heard", candidates=("all", "without model-fit")
    )
    least: float = setting(
        0.5, "least joint probability of the wall that wins",
        ge=0.0, le=1.0, candidates=(0.3, 0.5, 0.8),
    )  # fmt: skip
    alone: float = setting(
        0.9, "... and of a wall that one member alone has read",
        ge=0.0, le=1.0, candidates=(0.7, 0.9),
    )  # fmt: skip
    dissent: float = setting(
        0.6, "a reading of another wall this sure (probability) silences all",
        ge=0.0, le=1.0, candidates=(0.4, 0.6, 0.8),
    )  # fmt: skip


class Consensus:
    """Combines other detectors by their calibrated confidence."""

    name: ClassVar[str] = "consensus"
    version: ClassVar[str] = "1"
    Settings: ClassVar[type[ConsensusSettings]] = ConsensusSettings
    invariances: ClassVar[frozenset[Invariance]] = frozenset({"gain", "shift"})

    def prepare(
        self, setup: Setup, settings: ConsensusSettings, *, maps: Maps | None = None
    ) -> Detect:
        """Prepare the members that this set-up suits.

        Raises
        ------
        NotApplicable
            Fewer than two of them are left.
        """
        voices: dict[str, Detect] = {}
        for name, (module, kind) in _PANEL.items():
            if name == "model-fit" and settings.panel != "all":
                continue
            member: Any = getattr(import_module(f"echotrial_detectors.{module}"), kind)()
            try:
                voices[name] = member.prepare(setup, member.Settings())
            except NotApplicable:
                continue
        if len(voices) < 2:
            raise NotApplicable("a consensus needs two members that suit the set-up")
        return partial(_detect, setup, settings, voices, dict(maps or {}))


def _detect(
    setup: Setup, settings: ConsensusSettings, voices: dict[str, Detect], maps: dict[str, Any],
    batch: Batch,
) -> Readings:  # fmt: skip
    readings = [detect(batch) for detect in voices.values()]
    chance = np.stack(
        [probability(r, maps.get(name)) for name, r in zip(voices, readings, strict=True)]
    )
    wall = np.stack([r.thickness_m for r in readings])
    joint, against, voices_for, lead = agree(wall, chance, setup.tolerance.of(wall))
    answered = ~np.isnan(wall).all(axis=0)
    reason = np.full(len(batch), Reason.READ, dtype=np.int8)
    needed = np.where(voices_for > 1, settings.least, settings.alone)
    reason[joint < needed] = Reason.LOW_CONFIDENCE
    reason[against >= settings.dissent] = Reason.DISAGREEMENT
    reason[~answered] = _common_reason(readings)[~answered]
    read = reason == Reason.READ
    rows = np.arange(len(batch))

    def of_lead(field: str, when: NDArray[np.bool_]) -> NDArray[np.float64]:
        return np.where(when, np.stack([getattr(r, field) for r in readings])[lead, rows], np.nan)

    always = np.ones_like(read)
    return Readings(
        np.where(read, wall[lead, rows], np.nan),
        of_lead("first_echo_s", read),
        of_lead("second_echo_s", read),
        of_lead("spans", read),
        of_lead("gate_start_s", always),
        of_lead("gate_end_s", always),
        np.where(read, joint * (1 - against), np.nan),
        reason,
    )


def _common_reason(readings: Sequence[Readings]) -> NDArray[np.int8]:
    """Why the first member is silent; it is named first because it is trusted most."""
    return readings[0].reason


def probability(readings: Readings, mapped: Any) -> NDArray[np.float64]:
    """Probability of a hit of each reading, 0 where there is none; raw confidence without a map."""
    raw = np.where(np.isnan(readings.confidence), 0.0, readings.confidence)
    found = raw if mapped is None else np.asarray(mapped(raw), dtype=np.float64)
    return np.where(readings.answered, np.clip(np.nan_to_num(found), 0.0, 0.999), 0.0)


def agree(
    wall: NDArray[np.float64], chance: NDArray[np.float64], tolerance: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64], NDArray[np.intp]]:
    """Joint probability of the best supported wall, the strongest against it, voices, leader.

    Parameters
    ----------
    wall, chance, tolerance
        (k, n): each member's reading (NaN = none), its probability, its tolerance.

    Returns
    -------
    tuple
        Each (n,): 1 - product(1 - p) over the members within tolerance of the leader, the greatest
        probability among the others, how many support it, the surest of them.
    """
    k, n = wall.shape
    joint, against = np.zeros((k, n)), np.zeros((k, n))
    support = np.zeros((k, n), np.int64)
    for i in range(k):
        near = np.abs(wall - wall[i]) <= tolerance[i]  # NaN is near nothing
        near[i] = True
        support[i] = near.sum(axis=0)
        joint[i] = 1 - np.prod(np.where(near, 1 - chance, 1.0), axis=0)
        against[i] = np.where(near, 0.0, chance).max(axis=0)
    joint[np.isnan(wall)] = -1.0
    # Supporters share a joint probability: the surest of them speaks.
    lead = np.argmax(joint + 1e-6 * chance, axis=0)
    rows = np.arange(n)
    return np.maximum(joint[lead, rows], 0.0), against[lead, rows], support[lead, rows], lead
