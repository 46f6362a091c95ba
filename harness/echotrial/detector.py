"""What a detector is: a class with settings and ``prepare``, or a plain function made into one."""

import inspect
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any, ClassVar, Literal, Protocol, get_args, get_origin, runtime_checkable

import annotated_types
import numpy as np
from pydantic import BaseModel, ConfigDict, Field, create_model
from pydantic.fields import FieldInfo

from echotrial.ascan import Batch, Readings
from echotrial.setup import Setup

Detect = Callable[[Batch], Readings]
Invariance = Literal["gain", "shift", "polarity"]
ModeSetting = Literal["setup", 1, 2, 3]
#: Frozen maps of other detectors, name -> (raw confidence -> P(hit | reading)).
Maps = Mapping[str, Callable[[Any], Any]]


class Settings(BaseModel):
    """Base of every detector's settings: unknown names are refused, values are checked."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


def setting(
    default: Any,
    about: str,
    *,
    ge: float | None = None,
    le: float | None = None,
    candidates: Sequence[Any] = (),
) -> Any:
    """A field of `Settings`: its default, what it means, its bounds and the values worth trying."""
    return Field(
        default, description=about, ge=ge, le=le, json_schema_extra={"candidates": list(candidates)}
    )


def bounds_of(field: FieldInfo) -> tuple[Any, Any]:
    """Least and greatest value that a setting takes; None where it is open."""
    low = (m.ge for m in field.metadata if isinstance(m, annotated_types.Ge))
    high = (m.le for m in field.metadata if isinstance(m, annotated_types.Le))
    return next(low, None), next(high, None)


def choices_of(annotation: Any) -> list[Any]:
    """Every value of a setting that can only be one of a few, else an empty list."""
    if annotation is bool:
        return [False, True]
    if get_origin(annotation) is Literal:
        return list(get_args(annotation))
    return [value for part in get_args(annotation) for value in choices_of(part)]


def candidates_of(field: FieldInfo) -> list[Any]:
    """The values of a setting that are worth trying."""
    extra: Any = field.json_schema_extra
    return list(extra.get("candidates", [])) if isinstance(extra, dict) else []


@runtime_checkable
class Detector(Protocol):
    """The public face of a detector; the host makes one with no arguments and calls `prepare`."""

    name: ClassVar[str]
    version: ClassVar[str]
    Settings: ClassVar[type[BaseModel]]
    invariances: ClassVar[frozenset[Invariance]]

    def prepare(self, setup: Setup, settings: Any, *, maps: Maps | None = None) -> Detect:
        """Do what depends on the set-up alone, once; return the function that reads batches.

        Raises
        ------
        NotApplicable
            It cannot work with this set-up; the trial reports that and the reason.
        """
        ...


def from_function(function: Callable[..., Any]) -> type[Detector]:
    """Make a detector of ``def my_detector(batch, *, level: float = 0.4) -> thickness_m``.

    Its name is the function's with hyphens, its settings are the keyword parameters, and it
    declares no invariance. An array answer is taken as thickness in metres, NaN = no reading.
    """
    fields: dict[str, Any] = {}
    for parameter in list(inspect.signature(function, eval_str=True).parameters.values())[1:]:
        kind = Any if parameter.annotation is parameter.empty else parameter.annotation
        fields[parameter.name] = (
            kind,
            ... if parameter.default is parameter.empty else parameter.default,
        )
    made = create_model("Settings", __base__=Settings, **fields)

    def prepare(self: Any, setup: Setup, settings: Any, *, maps: Maps | None = None) -> Detect:
        chosen = {name: getattr(settings, name) for name in fields}

        def detect(batch: Batch) -> Readings:
            answer = function(batch, **chosen)
            return answer if isinstance(answer, Readings) else Readings(np.asarray(answer))

        return detect

    return type(
        function.__name__,
        (),
        {
            "name": re.sub(r"_+", "-", function.__name__).strip("-"),
            "version": "0",
            "Settings": made,
            "invariances": frozenset(),
            "prepare": prepare,
            "function": staticmethod(function),
            "__doc__": function.__doc__,
            "__module__": function.__module__,
        },
    )
