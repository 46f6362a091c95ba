"""A method calibrated on recordings of reference samples."""

from dataclasses import dataclass

from echotrial.choose.calibration import Calibration, Sample, calibrate
from echotrial.choose.method import Method
from echotrial.choose.samples import Refusal, samples_from
from echotrial.choose.traces import read_traces
from echotrial.corpus.store import Corpus
from echotrial.engine import read_corpus
from echotrial.errors import Refused
from echotrial.host import Host


@dataclass(frozen=True)
class Standardised:
    """What came of a calibration."""

    method: Method
    calibration: Calibration
    samples: tuple[Sample, ...]
    refused: tuple[Refusal, ...]

    @property
    def covers(self) -> bool:
        """Whether the samples bracket the set-up's wall range (ISO 16809:2017, 5.4)."""
        low, high = self.calibration.holds_m
        thin, thick = self.method.setup.wall_range
        return low <= thin * 1.05 and high >= thick * 0.95


def standardise(method: Method, corpus: Corpus, host: Host) -> Standardised:
    """Read reference samples with a method and calibrate it on what they say.

    Raises
    ------
    Refused
        No sample is left; the message says why each was refused.
    WrongQuestion
        Recordings that were not made as the method says.
    """
    detector = method.loaded(host)
    traces = read_traces(corpus.folder, method)
    settings = {detector.name: dict(method.settings)}
    readings = read_corpus(traces, [detector], settings=settings).readings
    times = [s.time_s for _, s in method.sources]
    samples, refused = samples_from(
        readings, corpus.truth, traces.setup, method.mode, max(times, default=0.0)
    )
    if not samples:
        why = "".join(f"\n  {r.name}: {r.reason}" for r in refused)
        raise Refused(f"{corpus.name}: no reference sample can be used{why}")
    found = calibrate(samples, traces.setup, method.mode)
    return Standardised(method.with_calibration(found), found, tuple(samples), tuple(refused))
