"""A page of one record: its picture to zoom into, and its facts."""

from pathlib import Path

from echotrial.files import write_text
from echotrial.report.page import CAUTIONS, Deflated, as_json, embedded, render, setup_lines
from echotrial.report.record import Record


def write(record: Record, path: Path) -> None:
    """Write the page."""
    write_text(path, html(record))


def html(record: Record) -> str:
    """The page as text."""
    return render(
        "record.html.j2",
        ("data.js", "draw.js", "list.js", "record.js"),
        Deflated(as_json({"record": embedded(record)})),
        title=record.title,
        cautions=CAUTIONS[:1],
        missing=record.missing,
        setup=setup_lines(record.setup.table()),
    )
