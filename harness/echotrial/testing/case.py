"""The record on which a detector broke the contract, told in words and in a picture."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from echotrial.ascan import Batch, Readings
from echotrial.testing import picture


@dataclass(frozen=True, eq=False)
class Case:
    """One record of a batch, how it was made, and what the detector read there (if it did)."""

    scene: str
    batch: Batch
    row: int = 0
    made_of: str = ""
    readings: Readings | None = None

    @property
    def words(self) -> str:
        """Set-up, place in the batch and recipe, on one line."""
        place = f"record {self.row + 1} of {len(self.batch)}"
        return f"{self.scene}; {place}" + (f"; {self.made_of}" if self.made_of else "")

    def sketch(self) -> str:
        """The A-scan in characters."""
        return picture.sketch(self.batch.samples[self.row], self._time_s)

    def svg(self, title: str) -> str:
        """The A-scan as an SVG text, with the detector's marks."""
        samples = self.batch.samples[self.row]
        return picture.svg(samples, self._time_s, f"{title}: {self.words}", self._marks())

    @property
    def _time_s(self) -> Any:
        steps = np.arange(self.batch.samples.shape[1]) / self.batch.rate_hz
        return self.batch.start_s[self.row] + steps

    def _marks(self) -> dict[str, float]:
        names = ("first_echo_s", "second_echo_s", "gate_start_s", "gate_end_s")
        columns = {name: np.ravel(getattr(self.readings, name, ())) for name in names}
        return {
            name.removesuffix("_s").replace("_", " "): float(column[self.row])
            for name, column in columns.items()
            if self.row < column.size
        }


class Broken(AssertionError):
    """The contract is broken: what was expected, what came, and on which record."""

    def __init__(self, message: str, case: Case | None = None) -> None:
        super().__init__(message)
        self.message = message
        self.case = case
