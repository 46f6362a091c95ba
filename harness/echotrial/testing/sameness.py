"""When two answers to the same question count as the same."""

from dataclasses import dataclass, fields

import numpy as np

from echotrial.ascan import Readings


@dataclass(frozen=True)
class Allowed:
    """By how much thickness may differ: a share of it plus a length."""

    relative: float
    absolute_m: float

    @property
    def words(self) -> str:
        """The tolerance as it is stated in messages."""
        return f"{self.relative:g} of the wall + {self.absolute_m * 1e9:g} nm"


#: A hundredth of the tolerance that a reading has by default (1 % and 5 um). BLAS and FFT libraries
#: sum in another order for another batch, and a float32 logarithm or division makes more of it.
ROUNDING = Allowed(1e-4, 50e-9)


def difference(
    first: Readings, second: Readings, allowed: Allowed = ROUNDING
) -> tuple[str, int] | None:
    """The first record that is read differently, as (what, row), or None."""
    a, b = first.thickness_m, second.thickness_m
    silent_once = np.isnan(a) != np.isnan(b)
    apart = np.abs(a - b) > allowed.relative * np.abs(a) + allowed.absolute_m
    wrong = silent_once | apart
    if not wrong.any():
        return None
    row = int(np.argmax(silent_once if silent_once.any() else apart))
    return f"{_told(first, row)} against {_told(second, row)} (allowed: {allowed.words})", row


def exact_difference(first: Readings, second: Readings) -> tuple[str, int] | None:
    """The first record with any field that is not the very same number, or None."""
    for f in fields(first):
        a, b = getattr(first, f.name), getattr(second, f.name)
        wrong = ~((a == b) | ((a != a) & (b != b)))
        if wrong.any():
            row = int(np.argmax(wrong))
            return f"{f.name} {a[row]!r} against {b[row]!r}", row
    return None


def _told(readings: Readings, row: int) -> str:
    thickness = readings.thickness_m[row]
    return "no reading" if np.isnan(thickness) else f"{thickness * 1e3:.6f} mm"


def joined(parts: list[Readings]) -> Readings:
    """One answer from those for consecutive parts of a batch."""
    return Readings(
        **{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(parts[0])}
    )
