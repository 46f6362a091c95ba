"""A trial: detectors run over corpora, scored, kept in a folder."""

from echotrial.trial.conduct import conduct
from echotrial.trial.folder import Trial, open_trial

__all__ = ["Trial", "conduct", "open_trial"]
