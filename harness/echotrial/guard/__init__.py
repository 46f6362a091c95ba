"""Holds detectors to a committed baseline of their accuracy."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from echotrial.guard.baseline import Baseline, read_baseline, write_baseline
    from echotrial.guard.conduct import Wanted, accept, guard
    from echotrial.guard.report import Report, check

#: name -> module; imported when asked for, because every pytest run loads `pytest_plugin`.
_WHERE = {
    "Baseline": "baseline",
    "read_baseline": "baseline",
    "write_baseline": "baseline",
    "Report": "report",
    "check": "report",
    "Wanted": "conduct",
    "accept": "conduct",
    "guard": "conduct",
}
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


def __getattr__(name: str) -> Any:
    from importlib import import_module

    if name not in _WHERE:
        raise AttributeError(name)
    return getattr(import_module(f"{__name__}.{_WHERE[name]}"), name)
