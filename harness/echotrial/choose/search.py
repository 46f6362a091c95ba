"""The search for settings on `tune`: all detectors in turn, one setting of each at a time."""

import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from echotrial.choose.candidates import candidates
from echotrial.choose.crew import Answer, Crew, Step, Where
from echotrial.choose.objective import Objective
from echotrial.host import LoadedDetector

#: Records of `tune` that a setting is tried on: one tile of the engine.
SCREEN: Final = 256
#: Detectors that are judged on all of `tune` once their settings are found.
KEPT: Final = 6
#: Settings tried of one detector at most.
MOST: Final = 30
#: What the detectors' first readings may take besides the search's own limit: on a machine's first
#: run they are compiled.
COMPILE_S: Final = 180.0
#: Share of the limit after which the settings found so far are confirmed.
HUNT: Final = 0.75
#: Stands in `Found.left` of those that were not judged on all of `tune`.
UNCONFIRMED: Final = "not confirmed"


@dataclass(frozen=True)
class Found:
    """What the search found for one detector.

    Attributes
    ----------
    lost
        Why there is no objective, or why the search for a better one ended.
    left
        Settings that the time limit left untried; `UNCONFIRMED` where the objective is of the first
        `SCREEN` records only, on which the best of many settings looks better than it is.
    """

    detector: str
    settings: Mapping[str, Any]
    objective: Objective | None
    tried: int
    lost: str = ""
    left: tuple[str, ...] = ()

    @property
    def confirmed(self) -> bool:
        """Whether the objective is of all of `tune`."""
        return self.objective is not None and UNCONFIRMED not in self.left


#: Called with a detector's name and the share of the search that is done.
Tell = Callable[[str, float], None]


class Hunt:
    """One detector's coordinate search: each setting in turn keeps the value that looked best."""

    def __init__(self, detector: LoadedDetector, where: Where) -> None:
        self.name, self.where = detector.name, where
        fields = detector.settings_model.model_fields
        self.todo = deque(
            (name, [v for v in values if v != fields[name].default])
            for name, values in candidates(detector, where.gates_s, where.mode).items()
        )
        self.best: dict[str, Any] = {}
        self.value: Objective | None = None
        self.lost, self.tried, self.over = "", 0, False

    @property
    def first(self) -> Step:
        """The defaults."""
        return Step(self.where, self.name, ({},), SCREEN)

    def next(self) -> Step | None:
        """The values of the setting whose turn it is; None = the search is over."""
        while self.todo and self.tried < MOST and not self.over:
            name, values = self.todo[0]
            asked = tuple(self.best | {name: v} for v in values[: MOST - self.tried])
            if asked:
                return Step(self.where, self.name, asked, SCREEN)
            self.todo.popleft()
        return None

    def take(self, step: Step, answer: Answer) -> None:
        """Keep what was better than the best so far."""
        if isinstance(answer, str):
            self.over, self.lost = True, answer
            self.tried += len(step.settings)
            return
        if self.tried:
            self.todo.popleft()
        self.tried += len(step.settings)
        for settings, judged in zip(step.settings, answer, strict=True):
            if judged.lost:
                self.lost = self.lost if self.value is not None else judged.lost
            elif self.value is None or judged.objective > self.value:
                self.best, self.value, self.lost = dict(settings), judged.objective, ""

    @property
    def found(self) -> Found:
        """What there is so far."""
        cut = self.tried < MOST and not self.over
        left = tuple(name for name, _ in self.todo) if cut else ()
        lost = self.lost if self.tried else "not one setting was tried within the time limit"
        return Found(self.name, self.best, self.value, self.tried, lost, left)


def search(
    detectors: Sequence[LoadedDetector], where: Where, crew: Crew, limit_s: float,
    tell: Tell = lambda name, share: None,
) -> tuple[list[Found], float]:  # fmt: skip
    """Search every detector's settings, then judge the best `KEPT` on all of `tune`.

    Detectors take turns, so that a limit of time leaves all of them equally far. One that takes
    its process along, or that hangs, is reported as lost, never left out.

    Parameters
    ----------
    limit_s
        Seconds for all of it, besides `COMPILE_S` for the first readings.

    Returns
    -------
    tuple
        What was found for each detector, and the seconds of the limit that are left.
    """
    hunts = {d.name: Hunt(d, where) for d in detectors}
    total, done = sum(len(h.todo) + 1 for h in hunts.values()) + KEPT, 0

    def take(step: Step, answer: Answer) -> None:
        nonlocal done
        hunts[step.detector].take(step, answer)
        done += 1
        tell(step.detector, min(done / total, 1.0))

    def go_on(step: Step, answer: Answer) -> Step | None:
        take(step, answer)
        return hunts[step.detector].next()

    began = time.monotonic()
    crew.run([h.first for h in hunts.values()], limit_s + COMPILE_S, take)
    compiled = min(time.monotonic(), began + COMPILE_S)

    def left_s() -> float:
        return max(compiled + limit_s - time.monotonic(), 0.0)

    ready = [step for h in hunts.values() if h.tried and (step := h.next())]
    crew.run(ready, HUNT * left_s(), go_on)
    found = {name: h.found for name, h in hunts.items()}
    read = sorted(
        (f for f in found.values() if f.objective is not None),
        key=lambda f: f.objective or 0, reverse=True,
    )  # fmt: skip

    for f in read:
        found[f.detector] = replace(f, left=(*f.left, UNCONFIRMED))

    def confirm(step: Step, answer: Answer) -> None:
        before = hunts[step.detector].found
        lost = answer if isinstance(answer, str) else answer[0].lost
        value = None if isinstance(answer, str) or lost else answer[0].objective
        found[step.detector] = replace(before, objective=value, lost=lost or before.lost)
        tell(step.detector, 1.0)

    crew.run([Step(where, f.detector, (f.settings,)) for f in read[:KEPT]], left_s(), confirm)
    return list(found.values()), left_s()
