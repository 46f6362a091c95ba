"""What got worse as annotations of a GitHub Actions run (its documented workflow commands)."""

from collections.abc import Iterator

from echotrial.compare import DetectorVerdict, Verdict
from echotrial.compare.table import names_record, records_of
from echotrial.guard.report import Report


def annotations(report: Report) -> Iterator[str]:
    """One line for each detector that got worse, is missing or could not be compared."""
    for verdict in report.comparison.of(Verdict.WORSE, Verdict.NEWLY_FAILING):
        yield _line("error", verdict, report)
    for verdict in report.comparison.of(Verdict.NOT_COMPARABLE):
        yield _line("warning", verdict, report)
    for trouble in report.troubles:
        yield f"::error title=echotrial::{_data(trouble)}"


def _line(kind: str, verdict: DetectorVerdict, report: Report) -> str:
    title = f"{verdict.detector or 'all detectors'} on {verdict.corpus}: {verdict.verdict}"
    records = records_of(report.comparison, verdict).head(1).to_dict("records")
    text = "\n".join([verdict.reason, *map(names_record, records)])
    return f"::{kind} title={_property(title)}::{_data(text)}"


def _data(text: str) -> str:
    return text.replace("%", "%25").replace("\r", "%0D").replace("\n", "%0A")


def _property(text: str) -> str:
    return _data(text).replace(":", "%3A").replace(",", "%2C")
