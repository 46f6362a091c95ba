"""Detectors that each break the contract in one way, and name the clause that has to catch them.

Each is the detector of the plugin template with one fault built in. The file is a plugin file
too: ``echotrial detector check tests/bad_detectors.py`` shows what a broken contract looks like.
"""

import os
import random
import warnings
from pathlib import Path
from typing import Any, ClassVar

import echotrial
import numpy as np
from echotrial.ascan import Batch, Readings, Reason
from echotrial.detector import Settings, setting
from echotrial.host import load_file
from echotrial.testing.subject import Subject
from pydantic import BaseModel, ConfigDict

_TEMPLATE = Path(echotrial.__file__).parent / "template" / "my_idea.py"
_Sound: Any = load_file(_TEMPLATE).MyIdea


class _Bad(_Sound):
    """Spoil `detect` in a subclass; `breaks` is the clause, `says` a part of its message."""

    breaks: ClassVar[str]
    says: ClassVar[str]

    def prepare(self, setup, settings, *, maps=None):
        sound = super().prepare(setup, _Sound.Settings(), maps=maps)
        self.setup = setup
        return lambda batch: self.spoil(sound, batch, settings)

    def spoil(self, sound, batch, settings) -> Any:
        return sound(batch)


class BadName(_Bad):
    name = "Bad Name"
    breaks, says = "says-what-it-is", "lower-case words joined by hyphens"


class UnknownInvariance(_Bad):
    name = "unknown-invariance"
    invariances = frozenset({"gian"})
    breaks, says = "says-what-it-is", "gian"


class WrongShape(_Bad):
    name = "wrong-shape"
    breaks, says = "gives-well-formed-readings", "shape"

    def spoil(self, sound, batch, settings):
        return Readings(sound(batch).thickness_m[:-1])


class BareArray(_Bad):
    name = "bare-array"
    breaks, says = "gives-well-formed-readings", "not Readings"

    def spoil(self, sound, batch, settings):
        return sound(batch).thickness_m


class Overconfident(_Bad):
    name = "overconfident"
    breaks, says = "gives-well-formed-readings", "confidence outside"

    def spoil(self, sound, batch, settings):
        readings = sound(batch)
        readings.confidence = readings.confidence + 1
        return readings


class GivesNoReason(_Bad):
    name = "gives-no-reason"
    breaks, says = "gives-well-formed-readings", "unstated"

    def spoil(self, sound, batch, settings):
        return Readings(sound(batch).thickness_m)


class ReasonForReading(_Bad):
    name = "reason-for-reading"
    breaks, says = "gives-well-formed-readings", "reason for silence"

    def spoil(self, sound, batch, settings):
        readings = sound(batch)
        readings.reason[:] = Reason.NO_ECHO
        return readings


class GateBackwards(_Bad):
    name = "gate-backwards"
    breaks, says = "gives-well-formed-readings", "gate that ends before"

    def spoil(self, sound, batch, settings):
        readings = sound(batch)
        readings.gate_start_s[:], readings.gate_end_s[:] = 2e-6, 1e-6
        return readings


class HalfATrip(_Bad):
    name = "half-a-trip"
    breaks, says = "gives-well-formed-readings", "spans"

    def spoil(self, sound, batch, settings):
        readings = sound(batch)
        readings.spans *= 0.5
        return readings


class Mute(_Bad):
    name = "mute"
    breaks, says = "reads-clear-echoes", "0%"

    def spoil(self, sound, batch, settings):
        return Readings.silent(len(batch), Reason.LOW_CONFIDENCE)


class Chatty(_Bad):
    name = "chatty"
    breaks, says = "silent-on-noise", "of noise alone"

    def spoil(self, sound, batch, settings):
        return Readings(np.full(len(batch), self.setup.wall_range[0]))


class TailReader(_Bad):
    """Takes any high peak for a wall: an interface echo is enough."""

    name = "tail-reader"
    breaks, says = "silent-on-dry-records", "dry record"

    def spoil(self, sound, batch, settings):
        high = np.abs(batch.samples).max(axis=1) > 0.25
        return Readings(np.where(high, self.setup.wall_range[0], np.nan))


class CrashesOnSilence(_Bad):
    name = "crashes-on-silence"
    breaks, says = "survives-odd-records", "ValueError"

    def spoil(self, sound, batch, settings):
        if not batch.samples.any(axis=1).all():
            raise ValueError("no peak to be found")
        return sound(batch)


class LeavesOnNan(_Bad):
    name = "leaves-on-nan"
    breaks, says = "survives-odd-records", "SystemExit"

    def spoil(self, sound, batch, settings):
        if np.isnan(batch.samples).any():
            raise SystemExit(3)
        return sound(batch)


class InfiniteOnConstant(_Bad):
    name = "infinite-on-constant"
    breaks, says = "survives-odd-records", "infinite thickness"

    def spoil(self, sound, batch, settings):
        readings = sound(batch)
        readings.thickness_m[np.ptp(batch.samples, axis=1) == 0] = np.inf
        return readings


class NegativeOnEdges(_Bad):
    """Only a spike in the first sixteen samples brings it out: the search has to find one."""

    name = "negative-on-edges"
    breaks, says = "survives-odd-records", "negative thickness"

    def spoil(self, sound, batch, settings):
        readings = sound(batch)
        place = np.abs(batch.samples).argmax(axis=1)
        early = (place > 0) & (place < 16) & ((batch.samples != 0).sum(axis=1) == 1)
        readings.thickness_m[early], readings.reason[early] = -1e-3, Reason.READ
        return readings


class OneBadSpoilsAll(_Bad):
    name = "one-bad-spoils-all"
    breaks, says = "survives-odd-records", "changes the reading of a good one"

    def spoil(self, sound, batch, settings):
        peak = np.abs(batch.samples).max()
        scaled = batch.samples / (peak if peak else 1)
        return sound(Batch.of(scaled, batch.rate_hz, batch.start_s, batch.setup))


class _Factor(Settings):
    factor: float = setting(7.0, "a factor", ge=1.0, le=50.0, candidates=(5.0, 10.0))


class CrashesAtItsBound(_Bad):
    name = "crashes-at-its-bound"
    Settings = _Factor
    breaks, says = "settings-hold-at-their-bounds", "factor=50.0"

    def spoil(self, sound, batch, settings):
        if settings.factor == 50.0:
            raise ZeroDivisionError("1 / (50 - factor)")
        return sound(batch)


class _OutOfBounds(Settings):
    factor: float = setting(7.0, "a factor", ge=1.0, le=50.0, candidates=(5.0, 100.0))


class OffersWhatItRefuses(_Bad):
    name = "offers-what-it-refuses"
    Settings = _OutOfBounds
    breaks, says = "settings-hold-at-their-bounds", "refused: factor=100.0"


class _Anything(BaseModel):
    model_config = ConfigDict(extra="allow")


class TakesAnySetting(_Bad):
    name = "takes-any-setting"
    Settings = _Anything
    breaks, says = "settings-hold-at-their-bounds", "accepts"


class ComparesWithTheBatch(_Bad):
    """Judges a record by the highest of its batch."""

    name = "compares-with-the-batch"
    breaks, says = "batch-independent", "alone"

    def spoil(self, sound, batch, settings):
        readings = sound(batch)
        peaks = np.abs(batch.samples).max(axis=1)
        readings.thickness_m[peaks < 0.9 * peaks.max()] = np.nan
        readings.reason[np.isnan(readings.thickness_m)] = Reason.NO_ECHO
        return readings


class CountsItsPlace(_Bad):
    name = "counts-its-place"
    breaks, says = "batch-independent", "alone"

    def spoil(self, sound, batch, settings):
        readings = sound(batch)
        readings.thickness_m += 1e-6 * np.arange(len(batch))
        return readings


class BadInLargeBatches(_Bad):
    """Sound on small batches: only the comparison of a large batch with its parts shows it."""

    name = "bad-in-large-batches"
    breaks, says = "batch-independent", "in parts of 32"

    def spoil(self, sound, batch, settings):
        readings = sound(batch)
        readings.thickness_m[64:] += 1e-6
        return readings


class FixedLevel(_Bad):
    name = "fixed-level"
    breaks, says = "gain-invariant", "no reading"

    def spoil(self, sound, batch, settings):
        readings = sound(batch)
        low = np.abs(batch.samples).max(axis=1) < 0.1
        readings.thickness_m[low], readings.reason[low] = np.nan, Reason.NO_ECHO
        return readings


class ForgetsTheClock(_Bad):
    """Counts its gate in samples, as if every record began at the same time."""

    name = "forgets-the-clock"
    breaks, says = "shift-invariant", "started later"

    def spoil(self, sound, batch, settings):
        start_s = min(0.0, -self.setup.wall_range[0] / self.setup.velocity)
        return sound(Batch.of(batch.samples, batch.rate_hz, start_s, batch.setup))


class LikesOnePolarity(_Bad):
    name = "likes-one-polarity"
    breaks, says = "polarity-invariant", "upside down"

    def spoil(self, sound, batch, settings):
        readings = sound(batch)
        down = batch.samples.max(axis=1) < -batch.samples.min(axis=1)
        readings.thickness_m[down], readings.reason[down] = np.nan, Reason.NO_ECHO
        return readings


class NormalisesInPlace(_Bad):
    name = "normalises-in-place"
    breaks, says = "leaves-input-alone", "changed its input: samples"

    def spoil(self, sound, batch, settings):
        if batch.samples.flags.writeable:
            batch.samples[:] *= 0.5
        return sound(batch)


class NeedsToWrite(_Bad):
    name = "needs-to-write"
    breaks, says = "leaves-input-alone", "read-only"

    def spoil(self, sound, batch, settings):
        batch.samples[:] = batch.samples * 1.0
        return sound(batch)


class UnlocksTheBatch(_Bad):
    name = "unlocks-the-batch"
    breaks, says = "leaves-input-alone", "changed its input: samples"

    def spoil(self, sound, batch, settings):
        readings = sound(batch)
        batch.samples.flags.writeable = True
        batch.samples[:] = 0
        return readings


class Dices(_Bad):
    name = "dices"
    breaks, says = "repeats-itself", "asked twice: thickness_m"

    def spoil(self, sound, batch, settings):
        readings = sound(batch)
        readings.thickness_m *= 1 + 1e-9 * np.random.default_rng().random(len(batch))
        return readings


class Learns(_Bad):
    name = "learns"
    breaks, says = "repeats-itself", "after another batch"

    def spoil(self, sound, batch, settings):
        readings = sound(batch)
        if not readings.answered.any():
            self.learnt = 1e-9
        readings.thickness_m += getattr(self, "learnt", 0.0)
        return readings


class PreparedAnewDiffers(_Bad):
    name = "prepared-anew-differs"
    breaks, says = "repeats-itself", "prepared anew"
    made: ClassVar[list[int]] = []

    def prepare(self, setup, settings, *, maps=None):
        found = super().prepare(setup, settings, maps=maps)
        self.made.append(1)
        self.number = len(self.made)
        return found

    def spoil(self, sound, batch, settings):
        readings = sound(batch)
        readings.thickness_m += 1e-12 * self.number
        return readings


class KeepsTheLastSetUp(_Bad):
    """Reads `self.setup` late: the set-up that was prepared last, and not its own."""

    name = "keeps-the-last-set-up"
    breaks, says = "uses-the-set-up-alone", "several set-ups"

    def spoil(self, sound, batch, settings):
        readings = sound(batch)
        readings.thickness_m *= self.setup.velocity / batch.setup.velocity
        return readings


class KnowsItsSetUpByAddress(_Bad):
    name = "knows-its-set-up-by-address"
    breaks, says = "uses-the-set-up-alone", "equal copy"

    def spoil(self, sound, batch, settings):
        readings = sound(batch)
        if not any(batch.setup is scene.setup for scene, _ in Subject(_Sound).prepared):
            readings.thickness_m *= 1.001
        return readings


class _Meddler(_Bad):
    breaks = "leaves-the-process-alone"

    def spoil(self, sound, batch, settings):
        self.meddle()
        return sound(batch)


class SilencesNumpy(_Meddler):
    name, says = "silences-numpy", "numpy's error state"

    def meddle(self):
        np.seterr(all="ignore")


class SeedsNumpy(_Meddler):
    name, says = "seeds-numpy", "numpy's random state"

    def meddle(self):
        np.random.seed(1)  # noqa: NPY002


class SeedsRandom(_Meddler):
    name, says = "seeds-random", "random's state"

    def meddle(self):
        random.seed(1)


class ChangesFolder(_Meddler):
    name, says = "changes-folder", "working directory"

    def meddle(self):
        os.chdir(Path(os.getcwd()).anchor)


class SetsEnvironment(_Meddler):
    name, says = "sets-environment", "environment"

    def meddle(self):
        os.environ["OMP_NUM_THREADS_OF_BAD_DETECTOR"] = "1"


class FiltersWarnings(_Meddler):
    name, says = "filters-warnings", "warning filters"

    def meddle(self):
        warnings.filterwarnings("ignore", message="of no use to anybody")
