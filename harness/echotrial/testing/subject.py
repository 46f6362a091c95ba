"""A detector under test: prepared once for each scene, and called under guard."""

import inspect
import warnings
from collections.abc import Callable
from contextlib import AbstractContextManager
from functools import cached_property
from typing import Any

from echotrial.ascan import Batch, Readings
from echotrial.detector import Detect, Detector, from_function
from echotrial.errors import NotApplicable
from echotrial.host import LoadedDetector
from echotrial.setup import Setup
from echotrial.testing.case import Broken, Case
from echotrial.testing.form import faults
from echotrial.testing.signals import SCENES, Scene

DetectorLike = type[Detector] | Callable[..., Any] | LoadedDetector


class Subject:
    """A detector class (or what a plain function becomes) with the settings under test."""

    def __init__(self, detector: DetectorLike, settings: Any = None) -> None:
        found: Any = detector.factory if isinstance(detector, LoadedDetector) else detector
        factory: Any = found if inspect.isclass(found) else from_function(found)
        self.factory = factory
        self.settings = factory.Settings() if settings is None else settings

    def prepare(self, setup: Setup) -> Detect:
        """A fresh detect function; lets `NotApplicable` through, all else breaks the contract."""
        try:
            with _no_warnings():
                made: Detect = self.factory().prepare(setup, self.settings)
        except NotApplicable:
            raise
        except KeyboardInterrupt:
            raise
        except BaseException as error:
            raise Broken(f"prepare raised {_told(error)}") from error
        return made

    @cached_property
    def prepared(self) -> list[tuple[Scene, Detect]]:
        """Each scene that the detector can work with, and its detect function there."""
        found = []
        for scene in SCENES:
            try:
                found.append((scene, self.prepare(scene.setup)))
            except NotApplicable:
                continue
        if not found:
            raise Broken("prepare raised NotApplicable for every set-up of the contract")
        return found


def read(detect: Detect, batch: Batch, scene: str, made_of: str = "") -> Readings:
    """Call `detect`; whatever it raises, or any malformed answer, breaks the contract."""
    try:
        with _no_warnings():
            readings = detect(batch)
    except KeyboardInterrupt:
        raise
    except BaseException as error:
        raise Broken(f"raised {_told(error)}", Case(scene, batch, 0, made_of)) from error
    wrong = faults(readings, len(batch))
    if wrong:
        what, row = wrong[0]
        shown = readings if isinstance(readings, Readings) else None
        raise Broken(f"gave {what}", Case(scene, batch, row, made_of, shown))
    return readings


def _no_warnings() -> AbstractContextManager[None]:
    # A verdict must not hang on the warning filters of whoever asks.
    return warnings.catch_warnings(action="ignore")


def _told(error: BaseException) -> str:
    return f"{type(error).__name__}: {' '.join(str(error).split()) or 'no message'}"
