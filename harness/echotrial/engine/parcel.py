"""A job with the user's files in it, for machines that do not have them."""

import hashlib
import pickle
import tempfile
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

from echotrial import host
from echotrial.engine.digest import source_digest, sources
from echotrial.engine.job import DetectorCall, Job


@dataclass(frozen=True)
class Parcel:
    """A pickled job, and the source files of each plugin that is a file: path -> (name, bytes)."""

    key: str
    job: bytes
    files: dict[str, tuple[tuple[str, bytes], ...]]

    @classmethod
    def of(cls, job: Job) -> "Parcel":
        """Pack a job with its plugin files and what these import from beside them."""
        data = pickle.dumps(job, protocol=pickle.HIGHEST_PROTOCOL)
        plugins = {c.plugin: c.module for c in job.calls if Path(c.plugin).is_file()}
        files = {path: _beside(Path(path), module) for path, module in plugins.items()}
        return cls(hashlib.sha256(data + repr(files).encode()).hexdigest(), data, files)

    def unpacked(self) -> Job:
        """The job, its plugins pointing to files written here."""
        return _unpacked(self.key, self)

    def sources(self) -> dict[str, str]:
        """Digest of each installed detector's source, as it is on this machine."""
        job: Job = pickle.loads(self.job)
        installed = [c for c in job.calls if c.plugin not in self.files]
        known = host.load().detectors if installed else {}
        return {
            c.name: source_digest(known[c.name]) if c.name in known else "not installed"
            for c in installed
        }

    def __hash__(self) -> int:
        return hash(self.key)


def _beside(path: Path, module: str) -> tuple[tuple[str, bytes], ...]:
    own = path.resolve().parent
    found = [p for p in sources(path, module) if p.parent == own]
    return tuple((p.name, p.read_bytes()) for p in found)


_folders: list[tempfile.TemporaryDirectory[str]] = []  # gone when the process ends


@lru_cache(maxsize=4)
def _unpacked(key: str, parcel: Parcel) -> Job:
    job: Job = pickle.loads(parcel.job)
    return replace(job, calls=tuple(_at_home(call, parcel) for call in job.calls))


def _at_home(call: DetectorCall, parcel: Parcel) -> DetectorCall:
    if call.plugin not in parcel.files:
        return call
    folder = tempfile.TemporaryDirectory(prefix="echotrial-")
    _folders.append(folder)
    for name, content in parcel.files[call.plugin]:
        (Path(folder.name) / name).write_bytes(content)
    return replace(call, plugin=str(Path(folder.name) / Path(call.plugin).name))
