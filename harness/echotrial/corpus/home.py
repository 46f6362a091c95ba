"""Where corpora live that nobody gave a folder of their own."""

import os
from pathlib import Path

import platformdirs

from echotrial.files import Checksums

MANIFEST = "corpus.toml"


def home() -> Path:
    """Folder of the user's corpora: ``ECHOTRIAL_HOME``, else the platform's place for data."""
    named = os.environ.get("ECHOTRIAL_HOME")
    return Path(named) if named else Path(platformdirs.user_data_dir("echotrial", appauthor=False))


def built_folder(name: str, identity: str, size: str) -> Path:
    """Where a synthetic corpus is kept: a changed spec, seed or generator is another folder."""
    return home() / "built" / f"{name}-{identity[:10]}-{size}"


def imported_folder(name: str, origin: str = "recorded") -> Path:
    """Where an import without ``--out`` goes."""
    return home() / origin / name


def downloads() -> Path:
    """Where fetched files are kept as they came."""
    return home() / "downloads"


def checksums() -> Checksums:
    """The memory of checksums already verified."""
    return Checksums(home() / "checksums.json")


def corpora(*origins: str) -> list[Path]:
    """Folders of all corpora kept here, sorted; of some sub-folders (``recorded``) only."""
    roots = [home() / o for o in origins] if origins else [home() / "built", *_imported_roots()]
    found = (p.parent for root in roots for p in root.glob(f"[!.]*/{MANIFEST}"))
    return sorted(found)


def _imported_roots() -> list[Path]:
    return [home() / origin for origin in ("recorded", "semi-synthetic", "synthetic")]
