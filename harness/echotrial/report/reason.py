"""Why a reading has its outcome, in words and figures."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, NamedTuple

import numpy as np

from echotrial.outcome import FAULTS, MarkOffsets, Outcome, Rule
from echotrial.setup import Setup


class _Mark(NamedTuple):
    """A mark as it was judged: less its offset, beside the nearest echo that stands."""

    name: str
    at_us: float
    offset_us: float
    echo: str
    off_us: float


class _Case(NamedTuple):
    row: Mapping[str, Any]
    true_mm: float
    tail_end_us: float
    marks: list[_Mark]
    period_us: float


def why(
    row: Mapping[str, Any],
    truth: Mapping[str, Any],
    standing: Sequence[tuple[str, float]],
    offsets: MarkOffsets,
    setup: Setup,
) -> str:
    """Explain the outcome of a reading.

    Parameters
    ----------
    row
        A row of readings.parquet.
    truth
        The record's.
    standing
        Name and time (us) of every true echo that stands above the tail and the noise.
    offsets
        The detector's mark offsets on this corpus.
    setup
        The corpus's.
    """
    marks = [
        _judged(name, row[f"{name}_echo_us"], offset_s * 1e6, standing)
        for name, offset_s in (("first", offsets.first_s), ("second", offsets.second_s))
        if np.isfinite(row[f"{name}_echo_us"])
    ]
    case = _Case(
        row,
        float(truth.get("thickness_mm", np.nan)),
        float(truth.get("tail_end_us", np.nan)),
        marks,
        1e6 / setup.centre_frequency,
    )
    outcome = Outcome(row["outcome"])
    if outcome in FAULTS:
        return f"the detector gave no valid answer: {row['note'] or outcome}"
    return _WORDS[outcome](case)


def _judged(
    name: str, at_us: float, offset_us: float, standing: Sequence[tuple[str, float]]
) -> _Mark:
    at = float(at_us) - offset_us
    if not standing:
        return _Mark(name, at, offset_us, "", np.nan)
    echo, time = min(standing, key=lambda e: abs(e[1] - at))
    return _Mark(name, at, offset_us, echo, at - time)


def _error(case: _Case) -> str:
    error, tolerance = case.row["error_um"], case.row["tolerance_um"]
    return f"the error of {error:+.2f} um against a tolerance of {tolerance:.2f} um"


def _places(case: _Case) -> str:
    """Where each mark lies."""
    known = [m for m in case.marks if m.echo]
    if not known:
        return ""
    return "; ".join(
        f"the {m.name} mark at {m.at_us:.4f} us{_less(m)} lies {abs(m.off_us) * 1e3:.1f} ns "
        f"({abs(m.off_us) / case.period_us:.2f} periods) {'after' if m.off_us > 0 else 'before'} "
        f"the nearest echo that stands, {m.echo}"
        for m in known
    )


def _less(mark: _Mark) -> str:
    """How the place of a mark differs from what the detector gave."""
    if not mark.offset_us:
        return ""
    return f" (less the detector's usual {mark.offset_us * 1e3:+.1f} ns)"


def _joined(*parts: str) -> str:
    return "; ".join(p for p in parts if p)


def _hit(case: _Case) -> str:
    return f"within tolerance: {_error(case)}"


def _off(case: _Case) -> str:
    return _joined(f"the right echoes, but not within tolerance: {_error(case)}", _evidence(case))


def _undecided(case: _Case) -> str:
    return f"the uncertainty of the truth does not let anybody tell: {_error(case)}"


def _dropout(case: _Case) -> str:
    return f"there is a wall and no reading; the detector's reason: {case.row['reason']}"


def _quiet(case: _Case) -> str:
    return f"there is no wall and no reading: right; the detector's reason: {case.row['reason']}"


def _phantom(case: _Case) -> str:
    return f"{case.row['thickness_mm']:.4f} mm was read where there is no wall"


def _evidence(case: _Case) -> str:
    """The marks, where they decided."""
    return _places(case) if case.row["rule"] == Rule.MARKS else "decided by the thickness alone"


def _ratio(case: _Case) -> str:
    return f"the reading is {case.row['thickness_mm'] / case.true_mm:.3f} of the true wall"


def _spans(case: _Case) -> str:
    spans = case.row["spans"]
    counted = 1 if not np.isfinite(spans) else int(spans)
    return f"the detector counts {counted} wall round trip{'' if counted == 1 else 's'} between"


def _echo_skip(case: _Case) -> str:
    return _joined(
        f"another number of wall round trips than the detector counts: {_ratio(case)}",
        f"{_spans(case)} its marks" if case.marks else "",
        _evidence(case),
    )


def _cycle_skip(case: _Case) -> str:
    return _joined(
        f"half a period or a period away from the right echo: {_error(case)}", _evidence(case)
    )


def _ambiguous(case: _Case) -> str:
    return _joined(
        f"a skip of an echo or of a cycle, the thickness cannot tell which: {_ratio(case)}",
        _error(case),
    )


def _tail_lock(case: _Case) -> str:
    end = case.tail_end_us
    until = f", which ends at {end:.4f} us" if np.isfinite(end) else ""
    return _joined(
        f"a mark on no echo, inside the tail of the interface echo{until}", _places(case)
    )


def _stray(case: _Case) -> str:
    return _joined(f"wrong, and no rule names a cause: {_error(case)}", _evidence(case))


_WORDS: Final[Mapping[Outcome, Callable[[_Case], str]]] = {
    Outcome.HIT: _hit,
    Outcome.OFF: _off,
    Outcome.UNDECIDED: _undecided,
    Outcome.DROPOUT: _dropout,
    Outcome.QUIET: _quiet,
    Outcome.PHANTOM: _phantom,
    Outcome.ECHO_SKIP: _echo_skip,
    Outcome.CYCLE_SKIP: _cycle_skip,
    Outcome.AMBIGUOUS: _ambiguous,
    Outcome.TAIL_LOCK: _tail_lock,
    Outcome.STRAY: _stray,
}
