"""Did it get worse? Two trials, paired by record. Pure: no files, no printing."""

from echotrial.compare.comparison import Comparison, DetectorVerdict, Judged, compare
from echotrial.compare.finding import Finding
from echotrial.compare.margins import Margins, Rules, read_rules
from echotrial.compare.side import Answers, CorpusSide, Side, answers, side_of
from echotrial.compare.verdict import Verdict

__all__ = [
    "Answers",
    "Comparison",
    "CorpusSide",
    "DetectorVerdict",
    "Finding",
    "Judged",
    "Margins",
    "Rules",
    "Side",
    "Verdict",
    "answers",
    "compare",
    "read_rules",
    "side_of",
]
