"""Detectors that are here, and how they keep the contract."""

from typing import Any, Final, Literal

from pydantic import Field

from echotrial.strict import Strict

DETECTORS: Final = "echotrial.detectors/1"
CONTRACT: Final = "echotrial.contract/1"


class SettingData(Strict):
    """A setting of a detector; values are those that its settings take."""

    name: str
    default: Any
    required: bool
    least: float | None
    greatest: float | None
    choices: list[Any]
    candidates: list[Any] = Field(description="worth trying; `choose` searches them")
    about: str


class DetectorData(Strict):
    """A detector."""

    name: str
    version: str
    about: str
    invariances: list[str] = Field(description="that it promises and the contract holds it to")
    plugin: str = Field(description="what brought it")
    file: str | None
    settings: list[SettingData]


class FailedPlugin(Strict):
    """A plugin that did not load."""

    plugin: str
    reason: str


class DetectorsData(Strict):
    """Every detector that is here, and what failed to load."""

    schema_: Literal["echotrial.detectors/1"] = Field(DETECTORS, alias="schema")
    detectors: list[DetectorData]
    failed: list[FailedPlugin]


class ClauseData(Strict):
    """A clause of the contract, as one detector keeps it."""

    check: str
    verdict: Literal["pass", "fail", "not declared", "not finished"]
    message: str
    rule: str
    on: str | None = Field(description="the smallest record found that breaks it")


class ExaminedData(Strict):
    """A detector held to the contract."""

    name: str
    keeps: bool
    clauses: list[ClauseData]


class ContractData(Strict):
    """Detectors held to the contract."""

    schema_: Literal["echotrial.contract/1"] = Field(CONTRACT, alias="schema")
    detectors: list[ExaminedData]
