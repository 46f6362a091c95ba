"""A trial: scores and verdicts of each corpus; a record of it."""

from typing import Final, Literal

from pydantic import Field

from echotrial.report.facts import RecordData
from echotrial.scores.document import Document
from echotrial.strict import Strict

__all__ = ["RecordData", "TrialData"]

TRIAL: Final = "echotrial.trial/1"


class TrialData(Strict):
    """What was scored, corpus by corpus; the same as scores.json in the trial folder."""

    schema_: Literal["echotrial.trial/1"] = Field(TRIAL, alias="schema")
    corpora: list[Document]
