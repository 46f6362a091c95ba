"""Page and tables of a trial, laid out corpus by corpus while the next one is read."""

from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from echotrial.report.page import Report
    from echotrial.report.terminal import Printout
    from echotrial.trial.folder import Trial


class Shown:
    """What `run` shows of a trial in `folder`; without `tables` the page alone.

    Parts are begun when there is something for them: imports take a while.
    """

    def __init__(self, folder: Path, *, tables: bool = True) -> None:
        self._folder, self._tables = folder, tables
        self._heard = self._failed = False

    @cached_property
    def _report(self) -> "Report":
        from echotrial.report.page import Report

        return Report(self._folder.name)

    @cached_property
    def _printout(self) -> "Printout":
        from echotrial.report.terminal import Printout

        return Printout()

    def hear(self, trial: "Trial", document: dict[str, Any]) -> None:
        """Lay out what was scored on a corpus; what goes wrong here must not end the trial."""
        if self._failed:
            return
        try:
            self._report.hear(trial, document)
            if self._tables:
                self._printout.hear(trial, document)
        except Exception:
            self._failed = True
        self._heard = True

    def show(self, trial: "Trial") -> Path:
        """Write the page, print the tables.

        Both from the folder if the trial was too large to be told of, or laying out went wrong.
        """
        if self._failed or not self._heard:
            from echotrial.report import page
            from echotrial.report.terminal import show_trial

            path = page.write(trial)
            if self._tables:
                show_trial(trial)
            return path
        path = self._report.write(trial)
        if self._tables:
            self._printout.print(trial)
        return path
