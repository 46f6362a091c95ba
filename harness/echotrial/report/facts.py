"""The facts of a record: as lines for a terminal, as JSON with a schema, as HTML for a notebook."""

import html
import math
import textwrap
from collections.abc import Iterator
from typing import Any, Final, Literal

import numpy as np
from pydantic import Field

from echotrial.errors import WrongQuestion
from echotrial.report.record import Reading, Record, Records, length
from echotrial.report.words import quantity, words_of
from echotrial.strict import Strict, plain
from echotrial.trial.folder import Trial

SCHEMA: Final = "echotrial.record/1"
Number = float | None


def open_record(trial: Trial, name: str | int) -> Record:
    """Look a record of a trial up.

    Parameters
    ----------
    trial
        Opened.
    name
        ``CORPUS:RECORD``, or the number alone where the trial has one corpus.

    Raises
    ------
    WrongQuestion
        No such corpus or record, or a number alone where there are several corpora.
    """
    corpus, _, number = str(name).rpartition(":")
    corpora = [c["name"] for c in trial.info["corpora"]]
    if not number.isdecimal():
        raise WrongQuestion(f"record '{name}': write its number, or CORPUS:NUMBER")
    if not corpus and len(corpora) != 1:
        raise WrongQuestion(
            f"record {number}: of which corpus? write "
            + " or ".join(f"{c}:{number}" for c in corpora)
        )
    return Records(trial, corpus or corpora[0])[int(number)]


# -- for a terminal -------------------------------------------------------------------------------


def lines(record: Record, width: int = 100) -> Iterator[str]:
    """What is known of the record, its echoes, and every reading with its reason."""
    yield record.title
    if record.missing:
        yield record.missing
    yield ""
    yield from _wrapped("truth", "; ".join(f"{k} {v}" for k, v in truth_lines(record)), width)
    yield from _wrapped("echoes", _echo_words(record), width)
    for reading in record.readings:
        yield ""
        outcome = f"{reading.outcome}{_direction(reading)}"
        yield f"{reading.detector}: {outcome}, {_said(reading, record)}"
        yield from _wrapped("marks", _marks(reading), width)
        yield from _wrapped("why", reading.why, width)


def _wrapped(key: str, text: str, width: int) -> list[str]:
    return textwrap.wrap(
        text, width, initial_indent=f"  {key:<8}", subsequent_indent=" " * 10,
        break_on_hyphens=False, break_long_words=False,
    )  # fmt: skip


def truth_lines(record: Record) -> list[tuple[str, str]]:
    """The truth of a record as names and values; lists stay in the picture."""
    return [
        (words_of(name)[0], quantity(name, plain(value)))
        for name, value in record.truth.items()
        if not isinstance(value, list | np.ndarray) and name not in ("corpus", "split")
    ]


def _echo_words(record: Record, most: int = 8) -> str:
    """Times of the first echoes, and how they are known."""
    how = "" if record.stated else "expected from the stated wall: "
    told = [
        f"{e.name} {e.at_us:.4f} us{'' if e.stands else ' (below tail or noise)'}"
        for e in record.echoes[:most]
    ]
    rest = len(record.echoes) - most
    return (how + "; ".join(told) + (f"; and {rest} more" if rest > 0 else "")) or "not known"


def _direction(reading: Reading) -> str:
    return f" ({reading.direction})" if reading.direction else ""


def _said(reading: Reading, record: Record) -> str:
    if not math.isfinite(reading.thickness_mm):
        return f"no reading: {reading.reason}"
    sure = f", confidence {reading.confidence:.3f}" if math.isfinite(reading.confidence) else ""
    return length(reading.thickness_mm, record.setup) + sure


def _marks(reading: Reading) -> str:
    parts = [
        f"{name} {value:.4f} us"
        for name, value in (("first", reading.first_echo_us), ("second", reading.second_echo_us))
        if math.isfinite(value)
    ] or ["none given"]
    if math.isfinite(reading.spans):
        trips = "trip" if reading.spans == 1 else "trips"
        parts.append(f"{int(reading.spans)} wall round {trips} between")
    if math.isfinite(reading.gate_start_us):
        parts.append(f"gate {reading.gate_start_us:.4f} to {reading.gate_end_us:.4f} us")
    return ", ".join(parts)


# -- for machines ---------------------------------------------------------------------------------


class EchoData(Strict):
    """A true echo."""

    name: str
    order: int = Field(description="0 = interface echo")
    at_us: float
    stands: bool = Field(description="above the tail and 3 sigma of the noise")


class ReadingData(Strict):
    """What one detector made of the record; null = not given."""

    detector: str
    thickness_mm: Number
    first_echo_us: Number
    second_echo_us: Number
    spans: Number
    gate_start_us: Number
    gate_end_us: Number
    confidence: Number
    reason: str
    status: str
    note: str
    outcome: str
    rule: str
    direction: str
    error_um: Number
    tolerance_um: Number
    why: str


class RecordData(Strict):
    """One record of a trial."""

    schema_: Literal["echotrial.record/1"] = Field(SCHEMA, alias="schema")
    corpus: str
    record: int
    title: str
    echoes_stated: bool = Field(description="false: from the stated wall at nominal velocity")
    echoes: list[EchoData]
    truth: dict[str, Any]
    readings: list[ReadingData]
    missing: str = Field(description="why there is no waveform; empty = there is one")


def as_json(record: Record) -> dict[str, Any]:
    """The facts as JSON data, checked against `RecordData`."""
    data = {
        "corpus": record.corpus,
        "record": record.number,
        "title": record.title,
        "echoes_stated": record.stated,
        "echoes": [
            {"name": e.name, "order": e.order, "at_us": e.at_us, "stands": e.stands}
            for e in record.echoes
        ],
        "truth": {k: plain(v) for k, v in record.truth.items()},
        "readings": [
            {k: plain({**r.row, "why": r.why}[k]) for k in ReadingData.model_fields}
            for r in record.readings
        ],
        "missing": record.missing,
    }
    return RecordData.model_validate(data).model_dump(mode="json", by_alias=True)


# -- for a notebook -------------------------------------------------------------------------------


def as_html(record: Record) -> str:
    """Picture and readings as HTML; nothing in it comes from elsewhere."""
    from echotrial.report.static import svg

    left, names = "style='text-align:left'", ("detector", "outcome", "reading", "why")
    head = "".join(f"<th {left}>{name}</th>" for name in names)
    rows = "".join(
        "<tr>" + "".join(f"<td {left}>{html.escape(c)}</td>" for c in cells) + "</tr>"
        for cells in (
            (str(r.detector), f"{r.outcome}{_direction(r)}", _said(r, record), r.why)
            for r in record.readings
        )
    )
    table = f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>"
    return f"<div>{svg(record)}{table}</div>"
