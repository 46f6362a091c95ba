"""Detectors whose answers stand in the record itself, for tests of reports; they detect nothing.

Sample 1 of a record is the reading in millimetres (0 = none), sample 2 the confidence, samples 3
and 4 the marks in microseconds over ten.
"""

from typing import ClassVar

import numpy as np
from echotrial.ascan import Readings, Reason
from echotrial.detector import Settings

NASTY = '<script>alert("ü")</script> & <b>bold</b> %{x}'


class _Told:
    version: ClassVar[str] = "1"
    invariances: ClassVar[frozenset[str]] = frozenset()
    shift_mm: ClassVar[float] = 0.0

    class Settings(Settings):
        """None."""

    def prepare(self, setup, settings, *, maps=None):
        def detect(batch):
            said = batch.samples[:, 1:5].astype(np.float64)
            silent = said[:, 0] == 0
            wall_m = np.where(silent, np.nan, said[:, 0] + self.shift_mm) * 1e-3
            first, second = (np.where(silent, np.nan, said[:, k] * 1e-5) for k in (2, 3))
            reason = np.where(silent, Reason.NO_ECHO, Reason.READ).astype(np.int8)
            return Readings(
                wall_m, first, second, np.where(silent, np.nan, 1.0),
                np.full(silent.size, 2.1e-6), np.full(silent.size, 4.4e-6),
                np.where(silent, np.nan, said[:, 1]), reason,
            )  # fmt: skip

        return detect


class Told(_Told):
    name: ClassVar[str] = "told"


class ToldThick(_Told):
    name: ClassVar[str] = NASTY
    shift_mm: ClassVar[float] = 0.2


class Broken(_Told):
    name: ClassVar[str] = "broken"

    def prepare(self, setup, settings, *, maps=None):
        def detect(batch):
            raise ValueError("broken on purpose <i>here</i>")

        return detect


class Mute(_Told):
    name: ClassVar[str] = "mute"

    def prepare(self, setup, settings, *, maps=None):
        return lambda batch: Readings.silent(len(batch), Reason.NO_ECHO)
