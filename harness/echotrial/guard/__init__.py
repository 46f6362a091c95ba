"""Holds detectors to a committed baseline of their accuracy."""

from echotrial.guard.baseline import Baseline, read_baseline, write_baseline
from echotrial.guard.check import Report, check
from echotrial.guard.conduct import Wanted, accept, guard

__all__ = [
    "Baseline",
    "Report",
    "Wanted",
    "accept",
    "check",
    "guard",
    "read_baseline",
    "write_baseline",
]
