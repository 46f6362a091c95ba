"""The engine: a corpus through detectors, to readings; a failure is a row, never a gap.

Its parts are imported when they are asked for, so that worker processes can be started first and
import beside this one.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from echotrial.engine.cache import WorkFolder
    from echotrial.engine.cluster import Cluster
    from echotrial.engine.digest import source_digest
    from echotrial.engine.job import Limits
    from echotrial.engine.plan import TILE
    from echotrial.engine.reader import Reading, ReadResult, read_corpus

__all__ = [
    "TILE",
    "Cluster",
    "Limits",
    "ReadResult",
    "Reading",
    "WorkFolder",
    "read_corpus",
    "source_digest",
]
_HOME = {
    "TILE": "plan",
    "Cluster": "cluster",
    "Limits": "job",
    "ReadResult": "reader",
    "Reading": "reader",
    "WorkFolder": "cache",
    "read_corpus": "reader",
    "source_digest": "digest",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
