"""Files and folders that appear whole or not at all, and checksums that are paid for once."""

import hashlib
import json
import os
import shutil
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

#: A file changed more recently than this may change again within one tick of the file system's
#: clock, so its checksum is not remembered.
_SETTLED_NS = 100_000_000


@contextmanager
def new_file(path: Path) -> Iterator[Path]:
    """Yield a temporary path beside `path`; it takes that name only when the block succeeds."""
    part = _part(path)
    try:
        yield part
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)


@contextmanager
def new_folder(path: Path, *, replace: bool = False) -> Iterator[Path]:
    """Yield a temporary folder beside `path`; it takes that name only when the block succeeds.

    Raises
    ------
    FileExistsError
        `path` is there already (before the block, or made by another process meanwhile) and
        `replace` is not set.
    """
    if path.exists() and not replace:
        raise FileExistsError(f"{path}: is there already")
    part = _part(path)
    part.mkdir()
    try:
        yield part
        _take_name(part, path, replace)
    finally:
        shutil.rmtree(part, ignore_errors=True)


def write_text(path: Path, text: str) -> None:
    """Write a UTF-8 text file that is never seen half-written."""
    with new_file(path) as part:
        part.write_text(text, encoding="utf-8", newline="\n")


def _part(path: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    return path.with_name(f".{path.name}.{uuid.uuid4().hex[:8]}.part")


def _take_name(part: Path, path: Path, replace: bool) -> None:
    old = _part(path)
    if replace and path.exists():
        os.rename(path, old)
    try:
        os.rename(part, path)
    except OSError as error:
        if old.exists():
            os.rename(old, path)
        raise FileExistsError(f"{path}: cannot take this name ({error})") from None
    shutil.rmtree(old, ignore_errors=True)


def sha256(path: Path) -> str:
    """Checksum of a file's bytes, as hexadecimal digits."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


class Checksums:
    """Remembers files' checksums by size and time of last change, in the JSON file `memory`."""

    def __init__(self, memory: Path) -> None:
        self.memory = memory

    def sha256(self, path: Path) -> str:
        """As `sha256`, but reads an unchanged file only the first time."""
        known = self._load()
        key, stat = str(path.resolve()), path.stat()
        seen = [stat.st_size, stat.st_mtime_ns]
        if key in known and known[key][:2] == seen:
            return str(known[key][2])
        digest = sha256(path)
        if time.time_ns() - stat.st_mtime_ns > _SETTLED_NS:
            self._save(
                {k: v for k, v in known.items() if os.path.exists(k)} | {key: [*seen, digest]}
            )
        return digest

    def _load(self) -> dict[str, list[int | str]]:
        with suppress(OSError, ValueError):
            found = json.loads(self.memory.read_text(encoding="utf-8"))
            if isinstance(found, dict):
                return found
        return {}

    def _save(self, known: dict[str, list[int | str]]) -> None:
        with suppress(OSError):  # a memory that cannot be written costs time, nothing else
            write_text(self.memory, json.dumps(known, indent=0))
