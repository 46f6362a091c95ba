"""Two sides compared: verdicts for every detector on every corpus, and what they rest on."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import pandas as pd

from echotrial.compare.errors import error_findings
from echotrial.compare.finding import Finding
from echotrial.compare.holm import holm
from echotrial.compare.margins import Rules
from echotrial.compare.mcnemar import least_p
from echotrial.compare.pairs import Pair, Refusal, pair
from echotrial.compare.rates import rate_findings
from echotrial.compare.records import telling
from echotrial.compare.side import Side
from echotrial.compare.verdict import Verdict, decide, overall, records_needed
from echotrial.outcome import FAULTS


@dataclass(frozen=True)
class Judged:
    """A finding with its verdict; `needed` `prove` records would decide an undecided one."""

    finding: Finding
    verdict: Verdict
    needed: int | None = None


@dataclass(frozen=True)
class DetectorVerdict:
    """One detector on one corpus.

    Attributes
    ----------
    verdict
        The gravest of what its quantities came to.
    reason
        In words: what got better or worse, how many records fail, why it cannot be compared.
    judged
        Every quantity.
    """

    corpus: str
    detector: str
    verdict: Verdict
    reason: str
    judged: tuple[Judged, ...] = ()


@dataclass(frozen=True)
class Comparison:
    """What `compare` found.

    Attributes
    ----------
    before, after
        Labels of A and B.
    level
        Of significance, over all questions together.
    questions
        How many of them could be answered at all, which is what Holm's correction counts.
    verdicts
        One a detector and corpus, those not comparable among them.
    records
        Those that show the changes (`records.COLUMNS`).
    changes
        What differs between the two programs: versions, settings, source.
    """

    before: str
    after: str
    level: float
    questions: int
    verdicts: tuple[DetectorVerdict, ...]
    records: pd.DataFrame
    changes: tuple[str, ...] = field(default=())

    def of(self, *verdicts: Verdict) -> list[DetectorVerdict]:
        """The detectors with one of these verdicts."""
        return [v for v in self.verdicts if v.verdict in verdicts]

    @property
    def exit_code(self) -> int:
        """1 if anything got worse or fails anew, else 3 if anything is not comparable, else 0."""
        if self.of(Verdict.WORSE, Verdict.NEWLY_FAILING):
            return 1
        return 3 if self.of(Verdict.NOT_COMPARABLE) else 0


def compare(
    a: Side, b: Side, rules: Rules | None = None, renamed: Mapping[str, str] | None = None
) -> Comparison:
    """Compare B with A, record by record."""
    rules = rules or Rules()
    pairs, refusals = pair(a, b, renamed)
    findings = [_findings(one, rules) for one in pairs]
    flat = [f for found in findings for f in found]
    adjusted = holm([f.p for f in flat], [f.differing for f in flat], rules.level)
    questions = sum(least_p(f.differing) <= rules.level for f in flat)
    corrected = iter(replace(f, p_adjusted=float(p)) for f, p in zip(flat, adjusted, strict=True))
    judged = [
        _judge(one, [next(corrected) for _ in found], rules.level, questions)
        for one, found in zip(pairs, findings, strict=True)
    ]
    return Comparison(
        a.label,
        b.label,
        rules.level,
        questions,
        (*judged, *map(_refused, refusals)),
        telling(pairs),
        tuple(_changes(a.detectors, b.detectors)),
    )


def _findings(one: Pair, rules: Rules) -> list[Finding]:
    margins = rules.of(one.detector.split(" > ")[-1], one.corpus)
    return [*rate_findings(one, margins), *error_findings(one, margins)]


def _judge(one: Pair, findings: Sequence[Finding], level: float, questions: int) -> DetectorVerdict:
    if one.identical:
        return DetectorVerdict(
            one.corpus,
            one.detector,
            Verdict.SAME,
            f"every reading of {len(one)} records is identical",
            tuple(Judged(f, Verdict.SAME) for f in findings),
        )
    judged = tuple(_judged(f, level, questions) for f in findings)
    failing, mended = _faults(one)
    verdicts = [j.verdict for j in judged]
    verdicts += [Verdict.NEWLY_FAILING] * bool(failing) + [Verdict.FIXED] * bool(mended)
    found = overall(verdicts)
    return DetectorVerdict(
        one.corpus, one.detector, found, _reason(found, judged, failing, mended), judged
    )


def _judged(finding: Finding, level: float, questions: int) -> Judged:
    verdict = decide(finding, level)
    if verdict is not Verdict.UNDECIDED:
        return Judged(finding, verdict)
    return Judged(finding, verdict, records_needed(finding, level / max(questions, 1)))


def _faults(one: Pair) -> tuple[int, int]:
    """Records at which it fails anew, and those at which it fails no longer."""
    before, after = one.before.among(FAULTS), one.after.among(FAULTS)
    return int((after & ~before).sum()), int((before & ~after).sum())


def _reason(found: Verdict, judged: Sequence[Judged], failing: int, mended: int) -> str:
    named = {v: [j.finding.quantity for j in judged if j.verdict is v] for v in Verdict}
    parts = [f"fails on {failing} more records"] if failing else []
    parts += [f"no longer fails on {mended} records"] if mended else []
    parts += [
        f"{verdict}: {', '.join(named[verdict])}"
        for verdict in (Verdict.WORSE, Verdict.BETTER)
        if named[verdict]
    ]
    if found is Verdict.UNDECIDED:
        parts.append(_undecided([j for j in judged if j.verdict is Verdict.UNDECIDED]))
    return "; ".join(parts)


def _undecided(judged: Sequence[Judged]) -> str:
    names = ", ".join(j.finding.quantity for j in judged)
    needed = [j.needed for j in judged]
    if all(n is None for n in needed):
        return f"{names}: nothing to go by"
    most = max(n for n in needed if n is not None)
    return f"{names}: about {most:,} prove records would decide"


def _refused(refusal: Refusal) -> DetectorVerdict:
    return DetectorVerdict(refusal.corpus, refusal.detector, Verdict.NOT_COMPARABLE, refusal.reason)


def _changes(
    before: Mapping[str, Mapping[str, Any]], after: Mapping[str, Mapping[str, Any]]
) -> list[str]:
    found = []
    for name in before.keys() & after.keys():
        one, other = before[name], after[name]
        if one.get("version") != other.get("version"):
            found.append(f"{name}: version {one.get('version')} -> {other.get('version')}")
        elif one.get("source_digest") != other.get("source_digest"):
            found.append(f"{name}: its source changed, its version ({one.get('version')}) did not")
        old, new = one.get("settings", {}), other.get("settings", {})
        found += [
            f"{name}: setting {key} {old.get(key)!r} -> {new.get(key)!r}"
            for key in old.keys() | new.keys()
            if old.get(key) != new.get(key)
        ]
    return sorted(found)
