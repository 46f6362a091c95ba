"""Scores of readings against truth. Pure: no files, no printing, no state."""

from echotrial.scores.confidence import ConfidenceMap
from echotrial.scores.gather import Gathering
from echotrial.scores.measures import MEASURES
from echotrial.scores.panel import Panel, joined, panel_of
from echotrial.scores.summary import CorpusScores, score, score_panels
from echotrial.scores.trust import Answer, Assessment, Limits, Verdict, trust
from echotrial.scores.wide import by_stratum, wide

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
