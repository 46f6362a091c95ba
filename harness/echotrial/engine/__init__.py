"""The engine: a corpus through detectors, to readings; a failure is a row, never a gap."""

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
