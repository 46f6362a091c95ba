"""Detectors for tests: one that reads, and others that ask what it has read."""

import time

import numpy as np
from echotrial.ascan import Batch, Readings
from echotrial.detector import Settings as SettingsBase
from echotrial.detector import setting


class Member:
    """Sample 1 in millimetres, slowly; negative where sample 0 says so."""

    name, version, invariances = "member", "1", frozenset()

    class Settings(SettingsBase):
        scale: float = setting(1.0, "factor", ge=0.1, le=10.0)

    def prepare(self, setup, settings, *, maps=None):
        def detect(batch: Batch) -> Readings:
            time.sleep(0.01)
            wall = batch.samples[:, 1].astype(float) * 1e-3 * settings.scale
            return Readings(np.where(batch.samples[:, 0] == 1.0, -wall, wall))

        return detect


class _Asking:
    version, invariances = "1", frozenset()

    class Settings(SettingsBase):
        """None."""

    def prepare(self, setup, settings, *, maps=None):
        def detect(batch: Batch) -> Readings:
            known = batch.known.of(Member, Member.Settings())
            wall = np.full(len(batch), 1e-3) if known is None else self.use(known)
            told = 0.25 if known is None else 0.75
            return Readings(wall, confidence=np.full(len(batch), told))

        return detect

    def use(self, known):
        return known.thickness_m


class Combiner(_Asking):
    """Repeats what `Member` has read, with confidence 0.75 where the host knew it."""

    name = "combiner"


class Scribbler(_Asking):
    """Tries to change it."""

    name = "scribbler"

    def use(self, known):
        known.thickness_m.flags.writeable = True
        known.thickness_m[:] = 0.5e-3
        return known.thickness_m
