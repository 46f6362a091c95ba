"""Models that refuse what they do not know, and say it in words a user can act on."""

import math
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Self

import numpy as np
from pydantic import BaseModel, ConfigDict, ValidationError

from echotrial.errors import WrongQuestion, nearest


class Strict(BaseModel):
    """A frozen model without unknown keys, NaN or infinity."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        allow_inf_nan=False,
        json_schema_serialization_defaults_required=True,  # what is printed has every key
    )

    @classmethod
    def read(cls, data: Mapping[str, Any], source: str, **context: Any) -> Self:
        """Build the model from a file's data, where every quantity carries its unit.

        Raises
        ------
        WrongQuestion
            Names the source, the key, the value, the rule and the nearest valid key.
        """
        try:
            return cls.model_validate(dict(data), context={"from_file": True, **context})
        except ValidationError as error:
            raise WrongQuestion(explain(error, cls, source)) from None


def plain(value: Any) -> Any:
    """A value as JSON can hold it: NaN and infinity as None, the unknown as text."""
    kind = type(value)  # what most values are comes first: there are hundreds of thousands
    if kind is str or kind is int or kind is bool or value is None:
        return value
    if kind is float:
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist())
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value if isinstance(value, str | int | float) else str(value)


def explain(error: ValidationError, model: type[BaseModel], source: str) -> str:
    """Give pydantic's findings as lines ``source: key: what is wrong``."""
    lines = []
    for finding in error.errors():
        where = ".".join(str(part) for part in finding["loc"] if part != "reader")
        if finding["type"] == "extra_forbidden":
            known = _fields_at(model, finding["loc"][:-1])
            what = f"unknown key '{finding['loc'][-1]}': {nearest(str(finding['loc'][-1]), known)}"
        elif finding["type"] == "missing":
            what = "is required and missing"
        elif finding["type"] == "value_error":
            what = str(finding["ctx"]["error"])
        else:
            what = f"{finding['msg']} (got {finding['input']!r})"
        lines.append(f"{source}: {where}: {what}" if where else f"{source}: {what}")
    return "\n".join(lines)


def _fields_at(model: type[BaseModel], path: tuple[int | str, ...]) -> list[str]:
    """Valid keys of the (nested) model at `path`, for the hint beside an unknown one."""
    for part in path:
        field = model.model_fields.get(str(part))
        inner = [t for t in _types_in(field.annotation if field else None) if _is_model(t)]
        if not inner:
            break
        model = inner[0]
    return list(model.model_fields)


def _types_in(annotation: Any) -> list[Any]:
    arguments = getattr(annotation, "__args__", ())
    return [annotation, *(t for a in arguments for t in _types_in(a))]


def _is_model(annotation: Any) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file; a missing or malformed one is the user's to mend, so it says where."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise WrongQuestion(f"{path}: no such file") from None
    except (OSError, UnicodeDecodeError) as error:
        raise WrongQuestion(f"{path}: cannot be read as a text file ({error})") from None
    except tomllib.TOMLDecodeError as error:
        raise WrongQuestion(f"{path}: is not valid TOML: {error}") from None
