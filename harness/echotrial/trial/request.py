"""What a trial is asked to do."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from echotrial.corpus.store import Corpus
from echotrial.engine import Limits
from echotrial.hooks import Measure
from echotrial.host import LoadedDetector

Settings = Mapping[str, Mapping[str, Any]]


@dataclass(frozen=True)
class Request:
    """What a trial is asked to do.

    Attributes
    ----------
    corpora
        Opened; their names differ.
    detectors
        As `host.load().chosen()` gives them.
    settings
        Detector name -> settings other than the defaults.
    records
        Only the first so many records of each split; None = all.
    workers
        Processes; 0 reads in this one.
    limits
        Time and memory that a detector may take.
    measures
        Extra scores, by name.
    work
        Where readings are kept meanwhile; one shared by several trials saves what they share.
        None: a folder inside the trial's, which goes when it is complete.
    cluster
        Address of a Dask cluster, or ``local:N``; None reads on this machine.
    """

    corpora: Sequence[Corpus]
    detectors: Sequence[LoadedDetector]
    settings: Settings
    records: int | None = None
    workers: int = 0
    limits: Limits | None = None
    measures: Mapping[str, Measure] | None = None
    work: Path | None = None
    cluster: str | None = None
