"""Names of all forms, their JSON Schemas, and the one way by which an answer is printed."""

import importlib
import json
from collections.abc import Mapping
from typing import Any, Final

from echotrial.errors import WrongQuestion, nearest
from echotrial.strict import Strict, plain

#: form -> module, model, and the commands that print it
FORMS: Final[Mapping[str, tuple[str, str, str]]] = {
    "trial": ("trial", "TrialData", "run; show TRIAL"),
    "record": ("trial", "RecordData", "show TRIAL RECORD"),
    "comparison": ("comparison", "ComparisonData", "compare"),
    "guard": ("comparison", "GuardData", "guard"),
    "choice": ("method", "ChoiceData", "choose"),
    "calibration": ("method", "CalibrationData", "calibrate"),
    "measurement": ("method", "MeasurementData", "measure"),
    "feasibility": ("setup", "FeasibilityData", "setup show"),
    "materials": ("setup", "MaterialsData", "setup materials"),
    "corpora": ("corpora", "CorporaData", "corpus list"),
    "corpus": ("corpora", "CorpusData", "corpus show"),
    "corpus-check": ("corpora", "CheckData", "corpus check"),
    "detectors": ("detectors", "DetectorsData", "detector list"),
    "contract": ("detectors", "ContractData", "detector check"),
}


def model(form: str) -> type[Strict]:
    """Give the model of a form.

    Raises
    ------
    WrongQuestion
        No such form.
    """
    if form not in FORMS:
        raise WrongQuestion(f"no form '{form}': {nearest(form, FORMS)}")
    module, name, _ = FORMS[form]
    found: type[Strict] = getattr(importlib.import_module(f"echotrial.answers.{module}"), name)
    return found


def schema(form: str) -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a form; every key is always there."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **model(form).model_json_schema(by_alias=True, mode="serialization"),
    }


def printed(form: str, data: Mapping[str, Any]) -> str:
    """Data as JSON text that keeps its form; NaN and infinity become null."""
    checked = model(form).model_validate(plain(data))
    return json.dumps(checked.model_dump(mode="json", by_alias=True), indent=1, allow_nan=False)
