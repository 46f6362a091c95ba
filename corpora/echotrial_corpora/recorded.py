"""Recorded arrays inside a spec: a bare-tip echo and a stretch of noise, carried as text."""

import base64
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from echotrial.quantities import Frequency, Time
from echotrial.setup import Positive
from echotrial.strict import Strict
from numpy.typing import NDArray
from pydantic import Field, ValidationInfo, model_validator

#: Longest stretch of noise that a spec takes along, samples.
NOISE_MOST = 1 << 16


class Recording(Strict):
    """Samples at a rate; in a file ``{ file = "echo.npy", rate = "100 MHz" }``, .npy beside it."""

    rate: Annotated[Frequency, Positive]
    first_sample: Time = 0.0
    samples: str = Field(description="float32, little endian, base64")

    @model_validator(mode="before")
    @classmethod
    def _take_in(cls, data: Any, info: ValidationInfo) -> Any:
        if isinstance(data, dict) and "file" in data:
            data = dict(data)
            folder = Path((info.context or {}).get("folder", "."))
            data["samples"] = encoded(_load(folder / str(data.pop("file"))))
        return data

    @model_validator(mode="after")
    def _is_finite(self) -> "Recording":
        found = self.array
        if found.size < 16 or not np.isfinite(found).all() or not found.any():
            raise ValueError("a recording is one row of 16 or more finite samples, not all zero")
        return self

    @property
    def array(self) -> NDArray[np.float64]:
        """The samples, (m,)."""
        return np.frombuffer(base64.b64decode(self.samples), dtype="<f4").astype(np.float64)


class RecordedEcho(Recording):
    """The echo of a bare tip, in place of a computed pulse; it takes the gain out of the matter."""


class RecordedNoise(Recording):
    """Noise without echoes, from which each record takes a stretch at random."""


def encoded(samples: NDArray[np.floating[Any]]) -> str:
    """Samples as the text that a canonical spec carries."""
    return base64.b64encode(np.asarray(samples, dtype="<f4").tobytes()).decode("ascii")


def _load(path: Path) -> NDArray[np.floating[Any]]:
    if not path.is_file():
        raise ValueError(f"{path.name}: no such file beside the spec")
    found = np.squeeze(np.load(path, allow_pickle=False))
    if found.ndim != 1 or found.dtype.kind not in "fiu":
        raise ValueError(f"{path.name}: a recording is one row of numbers")
    return np.asarray(found[:NOISE_MOST], dtype=np.float64)
