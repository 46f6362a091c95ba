"""The contract: every check by name, and what came of it."""

import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Final, Literal

from echotrial.detector import Invariance
from echotrial.testing import hygiene, laws, silence, sturdy
from echotrial.testing.case import Broken, Case
from echotrial.testing.limit import OutOfTime, time_limit
from echotrial.testing.subject import DetectorLike, Subject

Verdict = Literal["pass", "fail", "not declared", "not finished"]


@dataclass(frozen=True, eq=False)
class Result:
    """What one check found; `case` is the smallest failing record, where one could be named."""

    check: str
    about: str
    verdict: Verdict
    message: str
    case: Case | None = None

    def __bool__(self) -> bool:
        return self.verdict in ("pass", "not declared")

    def __str__(self) -> str:
        lines = [f"{self.check}: {self.verdict}: {self.message}"]
        if self.case is not None:
            lines += [f"  on: {self.case.words}", self.case.sketch()]
        return "\n".join(lines)

    def require(self) -> None:
        """Raise an AssertionError, with the sketch of the failing record, if the check failed."""
        if not self:
            raise AssertionError(str(self))


@dataclass(frozen=True)
class Check:
    """One clause of the contract; call it with a detector class, function or loaded detector."""

    clause: Callable[[Subject], str]
    invariance: Invariance | None = None

    @property
    def name(self) -> str:
        """The clause's name, with hyphens."""
        return self.clause.__name__.replace("_", "-")

    @property
    def about(self) -> str:
        """What has to hold, in one sentence."""
        return " ".join((self.clause.__doc__ or "").split())

    def __call__(self, detector: DetectorLike, *, seconds: float | None = None) -> Result:
        """Examine the detector, for so many seconds at most (None: without end)."""
        subject = Subject(detector)
        if self.invariance and self.invariance not in subject.factory.invariances:
            words = f"does not declare '{self.invariance}'"
            return Result(self.name, self.about, "not declared", words)
        try:
            with time_limit(seconds):
                message = self.clause(subject)
        except OutOfTime:
            words = f"not done when its {seconds:.3g} s were over"
            return Result(self.name, self.about, "not finished", words)
        except Broken as broken:
            return Result(self.name, self.about, "fail", broken.message, broken.case)
        return Result(self.name, self.about, "pass", message)


CHECKS: Final = (
    Check(hygiene.says_what_it_is),
    Check(hygiene.gives_well_formed_readings),
    Check(silence.reads_clear_echoes),
    Check(silence.silent_on_noise),
    Check(silence.silent_on_dry_records),
    Check(sturdy.survives_odd_records),
    Check(sturdy.settings_hold_at_their_bounds),
    Check(laws.batch_independent),
    Check(laws.gain_invariant, "gain"),
    Check(laws.shift_invariant, "shift"),
    Check(laws.polarity_invariant, "polarity"),
    Check(hygiene.leaves_input_alone),
    Check(hygiene.repeats_itself),
    Check(hygiene.uses_the_set_up_alone),
    Check(hygiene.leaves_the_process_alone),
)


def examine(
    detector: DetectorLike, checks: Iterable[Check] = CHECKS, *, seconds: float | None = None
) -> Iterator[Result]:
    """Put a detector through the contract, one clause after the other.

    `seconds` is what all clauses together may take; where they are over, the clause at work and
    those behind it come out as "not finished".
    """
    began = time.monotonic()
    for check in checks:
        left = None if seconds is None else seconds - (time.monotonic() - began)
        if left is not None and left <= 0:
            words = f"not begun: the clauses before it took all of the {seconds:g} s"
            yield Result(check.name, check.about, "not finished", words)
        else:
            yield check(detector, seconds=left)
