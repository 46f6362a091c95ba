"""The page that says 'none of these': what was tried, why nothing holds, and what would help."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from echotrial.choose.advice import Change, conclusion
from echotrial.choose.feasibility import Feasibility
from echotrial.choose.search import Found
from echotrial.files import write_text
from echotrial.sheet.page import template
from echotrial.sheet.words import CAUTIONS

ANSWER = "none-of-these.html"


@dataclass(frozen=True)
class Answer:
    """What the page tells.

    Attributes
    ----------
    sentence
        The answer.
    assessments
        Of the finalists on `prove` records, as in a verdict; empty where nobody got there.
    tried
        Changes of the set-up, best first.
    """

    name: str
    sentence: str
    feasible: Feasibility
    found: Sequence[Found]
    assessments: Sequence[dict[str, Any]]
    tried: Sequence[Change]

    @property
    def setup(self) -> list[tuple[str, str]]:
        """The set-up in a few rows."""
        job, s = self.feasible.job, self.feasible.job.setup
        low, high = (job.length(w) for w in s.wall_range)
        media = [(n, getattr(s, n)) for n in ("delay_line", "couplant", "wall")]
        tolerance = f"{100 * s.tolerance.relative:.3g} %, at least"
        return [
            ("walls", f"{low} to {high}, {job.part}"),
            ("probe", f"{s.centre_frequency / 1e6:g} MHz"),
            *((n.replace("_", " "), m.material or "given by numbers") for n, m in media if m),
            ("velocity", f"{s.velocity:.0f} m/s, u {s.velocity_uncertainty:.2g} m/s"),
            ("tolerance", f"{tolerance} {job.length(s.tolerance.absolute)}"),
        ]

    @property
    def modes(self) -> list[str]:
        """What speaks for and against each mode."""
        return [
            f"Mode {m.mode}: {'plausible' if m.plausible else 'no'}; {m.why}."
            for m in self.feasible.modes
        ]

    @property
    def searched(self) -> list[tuple[str, str]]:
        """Detector and how it did, the best first."""
        read = [(f.objective, f) for f in self.found if f.objective is not None]
        read.sort(key=lambda pair: pair[0], reverse=True)
        lost = [(f.detector, f.lost) for f in self.found if f.objective is None]
        silent = ", ".join(f.detector for value, f in read if not value.hit)
        none = [("no hit", silent)] if silent else []
        return [*((f.detector, value.sentence) for value, f in read if value.hit), *none, *lost]

    @property
    def changes(self) -> list[tuple[str, str]]:
        """Change and how it came out."""
        return [(c.words, _said(c)) for c in self.tried]

    @property
    def conclusion(self) -> str:
        """What would help most."""
        return conclusion(self.tried) if self.tried else "No change of the set-up was tried."


def _said(change: Change) -> str:
    if change.objective is None:
        return f"cannot be simulated: {change.refused}"
    return f"{change.detector} {change.objective.sentence}" if change.objective.hit else "no hit"


def write_answer(answer: Answer, folder: Path) -> Path:
    """Write the page into a folder, which is made where it is not there."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / ANSWER
    page = template("none-of-these.html.j2").render(a=answer, cautions=CAUTIONS)
    write_text(path, page)
    return path
