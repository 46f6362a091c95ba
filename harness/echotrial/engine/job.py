"""What a process needs to read any chunk of a run: all of it picklable, none of it the truth."""

import importlib
import inspect
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any, Protocol

from echotrial import host
from echotrial.ascan import Batch
from echotrial.detector import Detector, from_function
from echotrial.engine.digest import maps_digest, source_digest
from echotrial.host import LoadedDetector
from echotrial.setup import Setup


class Source(Protocol):
    """Where the waveforms come from; picklable."""

    @property
    def setup(self) -> Setup:
        """What the operator knows."""
        ...

    def batch(self, start: int, stop: int) -> Batch:
        """Records `start` to `stop` as detectors see them."""
        ...

    def stamp(self) -> object:
        """Something cheap that differs when the waveforms may have changed."""
        ...

    def fingerprint(self) -> str:
        """Digest of everything that `batch` can give, the set-up apart."""
        ...


@dataclass(frozen=True)
class Limits:
    """What a detector may take before its process is ended.

    Attributes
    ----------
    chunk_s
        Seconds for a whole chunk; a part of it has its share, never less than `record_s`.
    record_s
        Seconds for a single record.
    prepare_s
        Seconds for loading, `prepare` and a warm-up call (compile), each process once.
    memory_bytes
        Address space a worker may take beyond what it has when it starts.
    patience_s
        Seconds that a detector may lose to time limits and deaths before it is given up.
    """

    chunk_s: float = 60.0
    record_s: float = 1.0
    prepare_s: float = 180.0
    memory_bytes: int = 2 << 30
    patience_s: float = 600.0

    def seconds(self, records: int, chunk: int) -> float:
        """Time limit of one call for that many records."""
        return max(self.record_s, self.chunk_s * min(1.0, records / chunk))


@dataclass(frozen=True)
class DetectorCall:
    """A detector with its settings, as it travels to a worker."""

    name: str
    version: str
    plugin: str
    module: str
    qualname: str
    file_digest: str
    source_digest: str
    settings: Mapping[str, Any] = field(default_factory=dict)
    maps: Any = None

    @classmethod
    def of(
        cls, loaded: LoadedDetector, settings: Mapping[str, Any], maps: Any = None
    ) -> "DetectorCall":
        """Check the settings and note where the detector can be had again.

        Raises
        ------
        WrongQuestion
            Settings that the detector's model refuses.
        """
        chosen = loaded.settings(settings).model_dump()
        return cls(
            loaded.name,
            loaded.version,
            loaded.plugin,
            loaded.factory.__module__,
            loaded.factory.__qualname__,
            loaded.source_digest,
            source_digest(loaded),
            chosen,
            maps,
        )

    def about(self) -> dict[str, Any]:
        """What its readings depend on, as JSON can hold it."""
        return {
            "detector": self.name,
            "version": self.version,
            "source": self.source_digest,
            "settings": json.loads(json.dumps(self.settings, default=repr)),
            "maps": maps_digest(self.maps),
        }

    def factory(self) -> type[Detector]:
        """Load the detector in this process, from the user's file or by its import name."""
        if Path(self.plugin).is_file():
            loaded = _from_file(self.plugin, self.file_digest)
            if self.name not in loaded.detectors:
                raise ImportError("; ".join(f.reason for f in loaded.failures) or "it is not there")
            return loaded.detectors[self.name].factory
        thing: Any = getattr(importlib.import_module(self.module), self.qualname, None)
        if thing is None:
            return host.load().detectors[self.name].factory
        factory: Any = thing if inspect.isclass(thing) else from_function(thing)
        found: type[Detector] = factory
        return found


@lru_cache(maxsize=8)
def _from_file(plugin: str, digest: str) -> host.Host:
    """What is in a file, loaded once, so that one detector knows another by its class."""
    loaded = host.load([Path(plugin)], use_entry_points=False)
    if any(d.source_digest != digest for d in loaded.detectors.values()):
        raise ImportError(f"{plugin} has changed since the run began")
    return loaded


@dataclass(frozen=True)
class Job:
    """One run over one corpus."""

    source: Source
    calls: tuple[DetectorCall, ...]
    limits: Limits
    chunk: int
