"""What counts as a change worth speaking of: margins by detector and corpus, from a TOML file."""

from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

from pydantic import AfterValidator, Field

from echotrial.errors import WrongQuestion, nearest
from echotrial.quantities import Fraction, Length
from echotrial.strict import Strict, read_toml


def _margin(value: float) -> float:
    if value < 0:
        raise ValueError(f"{value:g} (SI) is negative, and a margin cannot be")
    return value


def _level(value: float) -> float:
    if not 0 < value <= 0.5:
        raise ValueError(f"{value:g} is no level of significance: above 0 and at most 0.5")
    return value


Rate = Annotated[Fraction, AfterValidator(_margin)]
Shift = Annotated[Length, AfterValidator(_margin)]


class Margins(Strict):
    """One margin for each thing compared; rates in parts of 1, errors in metres.

    Attributes
    ----------
    hit, false_lock, thick_false_lock, dropout
        Of walls inside the set-up's range; a quarter of a percentage point.
    phantom
        Of records without a wall, of which there are few.
    bias, median_error
        Change of the mean, and of the middle, of errors on the right echoes.
    spread
        Growth of their standard deviation, in parts of it.
    """

    hit: Rate = 0.0025
    false_lock: Rate = 0.0025
    thick_false_lock: Rate = 0.0025
    dropout: Rate = 0.0025
    phantom: Rate = 0.0125
    bias: Shift = 0.5e-6
    median_error: Shift = 0.5e-6
    spread: Rate = 0.05


class _Some(Strict):
    """The same, each one optional, for one detector, one corpus or one of both."""

    detector: str | None = None
    corpus: str | None = None
    hit: Rate | None = None
    false_lock: Rate | None = None
    thick_false_lock: Rate | None = None
    dropout: Rate | None = None
    phantom: Rate | None = None
    bias: Shift | None = None
    median_error: Shift | None = None
    spread: Rate | None = None

    def concerns(self, detector: str, corpus: str) -> bool:
        return self.detector in (None, detector) and self.corpus in (None, corpus)

    def given(self) -> dict[str, float]:
        return self.model_dump(exclude_none=True, exclude={"detector", "corpus"})


class Rules(Strict):
    """Level of significance, default margins, and exceptions; a later exception wins."""

    level: Annotated[Fraction, AfterValidator(_level)] = 0.05
    default: Margins = Margins()
    exception: list[_Some] = Field(default_factory=list)

    def of(self, detector: str, corpus: str) -> Margins:
        """The margins of one detector on one corpus."""
        found = self.default
        for some in self.exception:
            if some.concerns(detector, corpus):
                found = found.model_copy(update=some.given())
        return found

    def check(self, detectors: Iterable[str], corpora: Iterable[str], source: str) -> None:
        """Refuse an exception for a detector or corpus that is not compared.

        Raises
        ------
        WrongQuestion
            Such a one would be taken for a margin that holds.
        """
        for some in self.exception:
            for kind, name, known in (
                ("detector", some.detector, list(detectors)),
                ("corpus", some.corpus, list(corpora)),
            ):
                if name is not None and name not in known:
                    raise WrongQuestion(
                        f"{source}: an exception for {kind} '{name}', which is not compared: "
                        f"{nearest(name, known)}"
                    )


def read_rules(path: Path | None) -> Rules:
    """Read a margins file; None gives the defaults.

    Raises
    ------
    WrongQuestion
        No such file, an unknown key, a margin without its unit.
    """
    return Rules() if path is None else Rules.read(read_toml(path), str(path))
