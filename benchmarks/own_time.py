"""Detectors' own time: of each by itself, and as it was spent."""

from collections.abc import Mapping

from echotrial_detectors.consensus import PANEL, Consensus

ABOUT = """\
`own_s`: the detectors' own time, each by itself, by the clock on the wall, which counts waiting for
a core. `spent_s`: the same without what consensus was handed of its members' readings: it is
charged what they took, but they were called once. `wall x workers / spent`: 1 if nothing but
detectors took time."""


def own_and_spent_s(seconds_per_record: Mapping[str, float], records: int) -> tuple[float, float]:
    """Sums over the detectors, of which some may have read nothing (NaN)."""
    read = {name: s * records for name, s in seconds_per_record.items() if s == s}
    own = sum(read.values())
    lent = sum(read.get(name, 0.0) for name in PANEL) if Consensus.name in read else 0.0
    return own, own - lent
