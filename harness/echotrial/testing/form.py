"""What well-formed readings look like."""

from collections.abc import Iterator
from dataclasses import fields

import numpy as np

from echotrial.ascan import Readings, Reason


def faults(readings: object, n: int) -> list[tuple[str, int]]:
    """Everything wrong with the readings of n records: (what, row), the gravest first."""
    if not isinstance(readings, Readings):
        return [(f"the answer is a {type(readings).__name__}, not Readings", 0)]
    shapes = [
        (f"{f.name} has shape {np.shape(getattr(readings, f.name))}, and ({n},) is due", 0)
        for f in fields(readings)
        if np.shape(getattr(readings, f.name)) != (n,)
    ]
    return shapes or list(_value_faults(readings))


def _value_faults(readings: Readings) -> Iterator[tuple[str, int]]:
    r, answered = readings, readings.answered
    codes = np.array([int(reason) for reason in Reason])
    rules = {
        "an infinite thickness": np.isinf(r.thickness_m),
        "a negative thickness": r.thickness_m < 0,
        "a thickness of zero": r.thickness_m == 0,
        "a mark at infinity": np.isinf(r.first_echo_s) | np.isinf(r.second_echo_s),
        "a second mark that is not behind the first": r.second_echo_s <= r.first_echo_s,
        "spans that are no whole number from 1 up": ~np.isnan(r.spans)
        & ((r.spans < 1) | np.isinf(r.spans) | (np.round(r.spans) != r.spans)),
        "a reading from a gate that ends before it starts": answered
        & (r.gate_end_s < r.gate_start_s),
        "a confidence outside [0, 1]": (r.confidence < 0) | (r.confidence > 1),
        "a reason that is no Reason": ~np.isin(r.reason, codes),
        "a reading together with a reason for silence": answered & (r.reason != Reason.READ),
        "no reading and no reason why": ~answered & (r.reason == Reason.READ),
    }
    for what, wrong in rules.items():
        if wrong.any():
            yield what, int(np.argmax(wrong))
