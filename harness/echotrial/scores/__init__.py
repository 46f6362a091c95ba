"""Scores of readings against truth. Pure: no files, no printing, no state."""

from echotrial.scores.confidence import ConfidenceMap
from echotrial.scores.panel import Panel, joined, panel_of
from echotrial.scores.summary import MEASURES, CorpusScores, score
from echotrial.scores.trust import Answer, Assessment, Limits, Verdict, trust

__all__ = [
    "MEASURES",
    "Answer",
    "Assessment",
    "ConfidenceMap",
    "CorpusScores",
    "Limits",
    "Panel",
    "Verdict",
    "joined",
    "panel_of",
    "score",
    "trust",
]
