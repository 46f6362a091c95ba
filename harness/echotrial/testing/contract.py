"""The contract: every check by name, and what came of it."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final, Literal

from echotrial.detector import Invariance
from echotrial.testing import hygiene, laws, silence, sturdy
from echotrial.testing.case import Broken, Case
from echotrial.testing.subject import DetectorLike, Subject

Verdict = Literal["pass", "fail", "not declared"]


@dataclass(frozen=True, eq=False)
class Result:
    """What one check found; `case` is the smallest failing record, where one could be named."""

    check: str
    about: str
    verdict: Verdict
    message: str
    case: Case | None = None

    def __bool__(self) -> bool:
        return self.verdict != "fail"

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

    def __call__(self, detector: DetectorLike) -> Result:
        """Examine the detector."""
        subject = Subject(detector)
        if self.invariance and self.invariance not in subject.factory.invariances:
            words = f"does not declare '{self.invariance}'"
            return Result(self.name, self.about, "not declared", words)
        try:
            message = self.clause(subject)
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


def examine(detector: DetectorLike, checks: Iterable[Check] = CHECKS) -> list[Result]:
    """Put a detector through the contract."""
    return [check(detector) for check in checks]
