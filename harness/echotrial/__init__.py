"""Puts echo-detection algorithms on trial for ultrasonic thickness measurement of thin walls."""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from echotrial.report.facts import open_record
    from echotrial.trial.folder import Trial, open_trial

__version__ = "0.1.0"
__all__ = ["Trial", "__version__", "open_record", "open_trial"]


def __getattr__(name: str) -> Any:
    # Imported when asked for, so that `echotrial --help` does not wait for pandas.
    if name in ("Trial", "open_trial"):
        from echotrial.trial import folder

        return getattr(folder, name)
    if name == "open_record":
        from echotrial.report import facts

        return facts.open_record
    raise AttributeError(f"module 'echotrial' has no attribute {name!r}")
