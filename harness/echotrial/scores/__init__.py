"""Scores of readings against truth. Pure: no files, no printing, no state.

Parts are imported when they are asked for: statistics take half a second to import, and workers
can be set to read first.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from echotrial.scores.wide import by_stratum, wide  # at once: this name is its module's, too

if TYPE_CHECKING:
    from echotrial.scores.confidence import ConfidenceMap
    from echotrial.scores.gather import Gathering
    from echotrial.scores.measures import MEASURES
    from echotrial.scores.panel import Panel, joined, panel_of
    from echotrial.scores.summary import CorpusScores, score, score_panels
    from echotrial.scores.verdict import Answer, Assessment, Limits, Verdict, trust

__all__ = [
    "MEASURES",
    "Answer",
    "Assessment",
    "ConfidenceMap",
    "CorpusScores",
    "Gathering",
    "Limits",
    "Panel",
    "Verdict",
    "by_stratum",
    "joined",
    "panel_of",
    "score",
    "score_panels",
    "trust",
    "wide",
]
_HOME = {
    "MEASURES": "measures",
    "Answer": "verdict",
    "Assessment": "verdict",
    "ConfidenceMap": "confidence",
    "CorpusScores": "summary",
    "Gathering": "gather",
    "Limits": "verdict",
    "Panel": "panel",
    "Verdict": "verdict",
    "joined": "panel",
    "panel_of": "panel",
    "score": "summary",
    "score_panels": "summary",
    "trust": "verdict",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
