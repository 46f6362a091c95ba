"""The report as JUnit XML: a suite a corpus, a case a detector."""

import re
from collections.abc import Sequence
from typing import Final
from xml.etree import ElementTree as Xml

from echotrial.compare import Comparison, DetectorVerdict, Verdict
from echotrial.compare.table import NAMED, names_record, records_of
from echotrial.guard.report import Report

#: Characters that XML 1.0 forbids.
_FORBIDDEN: Final = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def junit(report: Report) -> str:
    """Worse or newly failing: a failure; not comparable, or a plugin not loaded: an error."""
    suites = Xml.Element("testsuites", name="echotrial guard")
    comparison = report.comparison
    for corpus in dict.fromkeys(v.corpus for v in comparison.verdicts):
        mine = [v for v in comparison.verdicts if v.corpus == corpus]
        suite = _suite(suites, corpus, [_case(comparison, v) for v in mine])
        assert len(suite)
    if report.troubles:
        _suite(suites, "plugins", [_trouble(t) for t in report.troubles])
    for count in ("tests", "failures", "errors"):
        suites.set(count, str(sum(int(suite.get(count, "0")) for suite in suites)))
    Xml.indent(suites)
    return '<?xml version="1.0" encoding="utf-8"?>\n' + Xml.tostring(suites, "unicode") + "\n"


def _suite(parent: Xml.Element, name: str, cases: Sequence[Xml.Element]) -> Xml.Element:
    suite = Xml.SubElement(
        parent,
        "testsuite",
        name=_clean(name),
        tests=str(len(cases)),
        failures=str(sum(case.find("failure") is not None for case in cases)),
        errors=str(sum(case.find("error") is not None for case in cases)),
        skipped="0",
    )
    suite.extend(cases)
    return suite


def _case(comparison: Comparison, verdict: DetectorVerdict) -> Xml.Element:
    name = verdict.detector or "all detectors"
    case = Xml.Element("testcase", classname=_clean(verdict.corpus), name=_clean(name), time="0")
    message = _clean(f"{verdict.verdict}: {verdict.reason}")
    if verdict.verdict in (Verdict.WORSE, Verdict.NEWLY_FAILING):
        found = Xml.SubElement(case, "failure", type=str(verdict.verdict), message=message)
        records = records_of(comparison, verdict).head(NAMED).to_dict("records")
        found.text = _clean("\n".join(map(names_record, records)))
    elif verdict.verdict is Verdict.NOT_COMPARABLE:
        Xml.SubElement(case, "error", type=str(verdict.verdict), message=message)
    else:
        Xml.SubElement(case, "system-out").text = message
    return case


def _trouble(trouble: str) -> Xml.Element:
    case = Xml.Element("testcase", classname="plugins", name="load", time="0")
    Xml.SubElement(case, "error", type="failed to load", message=_clean(trouble))
    return case


def _clean(text: str) -> str:
    return _FORBIDDEN.sub("\ufffd", text)
