"""Consensus: several detectors read, the likeliest wall wins, and where they disagree none does.

Each member's confidence is turned into a probability of a hit by its frozen map where there is
one. Without one raw confidences are no probabilities: the model fit, which has weighed other walls
before it reads, counts as nearly sure, all others count half. Members that go by the same property
of the record count as one voice; voices are taken as independent given the wall, which they are not
quite, so the joint probability is a ranking, not a promise. So without maps it takes the model fit,
or two voices of different kinds, and two of them silence a model fit that is none too sure.
"""

from collections.abc import Sequence
from functools import partial
from importlib import import_module
from typing import Any, ClassVar, Literal, NamedTuple

import numpy as np
from echotrial.ascan import Batch, Readings, Reason
from echotrial.detector import Detect, Detector, Invariance, Maps, Settings, setting
from echotrial.errors import NotApplicable
from echotrial.setup import Setup
from numpy.typing import NDArray

#: Members by name, the strongest one first: module, class, and what it goes by. Members that go by
#: the same are one voice.
PANEL = {
    "model-fit": ("model_fit", "ModelFit", "model"),
    "correlation": ("correlation", "Correlation", "echoes"),
    "envelope": ("envelope", "Envelope", "echoes"),
    "cepstral": ("cepstral", "Cepstral", "periodicity"),
    "autocorrelation": ("autocorrelation", "Autocorrelation", "periodicity"),
}
#: What a raw confidence counts of a member that is not the strongest.
UNMAPPED = 0.5
#: What readings of the model fit with confidence 0 and 1 count without a map: enough to stand alone
#: and against one other voice; against two sure ones if it is rather sure itself.
TRUSTED = (0.955, 1.0)
#: Why the strongest member is silent where others may still speak: it saw echoes, and its model of
#: the layers did not explain them.
OTHERS_MAY_SPEAK = (Reason.POOR_FIT,)


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
        0.05, "odds of another wall, over those of the one that wins, that silence all",
        ge=0.0, le=1.0, candidates=(0.02, 0.05, 0.2),
    )  # fmt: skip


class Voice(NamedTuple):
    """A member at work."""

    kind: type[Detector]
    settings: Settings
    detect: Detect

    def read(self, batch: Batch) -> Readings:
        """What it reads, from the host where it has read this batch before."""
        known = batch.known.of(self.kind, self.settings)
        return self.detect(batch) if known is None else known


class Consensus:
    """Combines other detectors by their calibrated confidence."""

    name: ClassVar[str] = "consensus"
    version: ClassVar[str] = "6"
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
        voices: dict[str, Voice] = {}
        for name, (module, kind, _) in PANEL.items():
            if name == "model-fit" and settings.panel != "all":
                continue
            member: Any = getattr(import_module(f"echotrial_detectors.{module}"), kind)()
            chosen = member.Settings()
            try:
                voices[name] = Voice(type(member), chosen, member.prepare(setup, chosen))
            except NotApplicable:
                continue
        if len(voices) < 2:
            raise NotApplicable("a consensus needs two members that suit the set-up")
        return partial(_detect, setup, settings, voices, dict(maps or {}))


def _detect(
    setup: Setup, settings: ConsensusSettings, voices: dict[str, Voice], maps: dict[str, Any],
    batch: Batch,
) -> Readings:  # fmt: skip
    readings = [voice.read(batch) for voice in voices.values()]
    chance = np.stack(
        [
            probability(r, maps.get(name), *_raw_counts(name, first=i == 0))
            for i, (name, r) in enumerate(zip(voices, readings, strict=True))
        ]
    )
    if "model-fit" in voices:
        speak = readings[0].answered | np.isin(readings[0].reason, OTHERS_MAY_SPEAK)
        chance[1:, ~speak] = 0.0
    wall = np.stack([r.thickness_m for r in readings])
    kinds = np.unique([PANEL[name][2] for name in voices], return_inverse=True)[1]
    joint, against, voices_for, lead = agree(wall, chance, setup.tolerance.of(wall), kinds)
    answered = ~np.isnan(wall).all(axis=0)
    reason = np.full(len(batch), Reason.READ, dtype=np.int8)
    needed = np.where(voices_for > 1, settings.least, settings.alone)
    reason[joint < needed] = Reason.LOW_CONFIDENCE
    reason[odds(against) > settings.dissent * odds(joint)] = Reason.DISAGREEMENT
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


def odds(chance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Odds of a probability, p / (1 - p)."""
    return np.asarray(chance / np.maximum(1 - chance, 1e-9))


def _raw_counts(name: str, *, first: bool) -> tuple[float, float]:
    """What raw confidences of 0 and 1 count."""
    if name == "model-fit":
        return TRUSTED
    return 0.0, 1.0 if first else UNMAPPED


def probability(
    readings: Readings, mapped: Any, none_counts: float = 0.0, full_counts: float = 1.0
) -> NDArray[np.float64]:
    """Probability of a hit of each reading, 0 where there is none.

    Without a map in proportion to the raw confidence, from `none_counts` to `full_counts`.
    """
    raw = np.where(np.isnan(readings.confidence), 0.0, readings.confidence)
    if mapped is None:
        found = none_counts + (full_counts - none_counts) * raw
    else:
        found = np.asarray(mapped(raw), dtype=np.float64)
    return np.where(readings.answered, np.clip(np.nan_to_num(found), 0.0, 0.999), 0.0)


def agree(
    wall: NDArray[np.float64], chance: NDArray[np.float64], tolerance: NDArray[np.float64],
    kind: NDArray[np.intp],
) -> tuple[
    NDArray[np.float64], NDArray[np.float64], NDArray[np.int64], NDArray[np.intp]
]:  # fmt: skip
    """Joint probability of the best supported wall, that of the best other one, voices, speaker.

    Parameters
    ----------
    wall, chance, tolerance
        (k, n): each member's reading (NaN = none), its probability, its tolerance.
    kind
        (k,): members of one kind are one voice, as sure as the surest of them.

    Returns
    -------
    tuple
        Each (n,): 1 - product(1 - p) over the voices within tolerance of the leader, the greatest
        such product of another wall, how many voices support it, the surest member of them.
    """
    k, n = wall.shape
    joint, support = np.zeros((k, n)), np.zeros((k, n), np.int64)
    near = np.zeros((k, k, n), np.bool_)
    for i in range(k):
        near[i] = np.abs(wall - wall[i]) <= tolerance[i]  # NaN is near nothing
        near[i, i] = True
        doubt = np.ones(n)
        for voice in np.unique(kind):
            heard = np.where(near[i], chance, 0.0)[kind == voice].max(axis=0)
            doubt *= 1 - heard
            support[i] += heard > 0
        joint[i] = 1 - doubt
    joint[np.isnan(wall)] = -1.0
    lead = np.argmax(joint + 1e-6 * chance, axis=0)
    rows = np.arange(n)
    supporters = near[lead, :, rows].T
    against = np.where(supporters, 0.0, np.maximum(joint, 0.0)).max(axis=0)
    best, voices = np.maximum(joint[lead, rows], 0.0), support[lead, rows]
    return best, against, voices, np.argmax(np.where(supporters, chance, -1.0), axis=0)
