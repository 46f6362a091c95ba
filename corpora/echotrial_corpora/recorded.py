"""Recorded arrays inside a spec: a bare-tip echo and a stretch of noise, carried as text."""

import base64
from pathlib import Path
from typing import Annotated, Any

import numpy as np
from echotrial.errors import NotToBeHad
from echotrial.quantities import Frequency, Time
from echotrial.setup import Positive
from echotrial.strict import Strict
from numpy.typing import NDArray
from pydantic import Field, ValidationInfo, model_validator

#: Longest stretch of noise that a spec takes along, samples.
NOISE_MOST = 1 << 16
#: Share of a cut at either end over which it is shaped to zero.
TAPER = 0.1


class Cut(Strict):
    """A stretch of a recorded corpus on its own clock: of one record, or of all, joined."""

    corpus: str
    record: Annotated[int, Field(ge=0)] | None = None
    begin: Time = Field(alias="from")
    end: Time = Field(alias="to")

    def taken(self) -> "dict[str, Any]":
        """What a `Recording` is made of.

        One record's stretch is shaped to zero at both ends (a cosine over TAPER); of several,
        each loses its mean.
        """
        # takes a second, and most specs have no recording in them
        from echotrial.corpus.find import folder_named
        from echotrial.corpus.store import Corpus

        folder = folder_named(self.corpus)
        if folder is None:
            raise NotToBeHad(
                f"the recording '{self.corpus}' is not on this machine: "
                f"`echotrial corpus fetch {self.corpus}` brings it"
            )
        corpus = Corpus.open(folder)
        batch, rate = corpus.batch(), corpus.rate_hz
        rows = range(len(corpus)) if self.record is None else [self.record]
        if rows[-1] >= len(corpus):
            raise ValueError(f"record {rows[-1]}: '{self.corpus}' has {len(corpus)} records")
        first = np.rint((self.begin - batch.start_s) * rate).astype(int)
        size = round((self.end - self.begin) * rate)
        if size < 1 or first.min() < 0 or first.max() + size > batch.samples.shape[1]:
            raise ValueError(
                f"from {self.begin * 1e6:g} us to {self.end * 1e6:g} us: '{self.corpus}' goes from "
                f"{batch.start_s.max() * 1e6:g} us over {batch.samples.shape[1] / rate * 1e6:g} us"
            )
        cut = np.stack([batch.samples[i, first[i] : first[i] + size] for i in rows]).astype(float)
        one = self.record is not None
        cut = cut * tapered(size, 2 * TAPER) if one else cut - cut.mean(1, keepdims=True)
        told = corpus.manifest
        source = f"{self.corpus}: {told.source}" + (f" ({told.citation})" if told.citation else "")
        return {
            "rate": rate,
            "samples": encoded(cut.ravel()[:NOISE_MOST]),
            "source": source,
            "licence": told.licence,
        }


def tapered(n: int, share: float) -> NDArray[np.float64]:
    """One, but for half a cosine at both ends, together `share` of it, (n,).

    To the bit ``scipy.signal.windows.tukey`` (a test compares them), which takes a second to
    import.
    """
    if n == 1:
        return np.ones(1)
    width = int(share * (n - 1) / 2)
    at, window = np.arange(n), np.ones(n)
    window[: width + 1] = (1 + np.cos(np.pi * (-1 + 2.0 * at[: width + 1] / share / (n - 1)))) / 2
    falling = at[n - width - 1 :]
    window[n - width - 1 :] = (
        1 + np.cos(np.pi * (-2.0 / share + 1 + 2.0 * falling / share / (n - 1)))
    ) / 2
    return window


class Recording(Strict):
    """Samples at a rate.

    In a file ``{ file = "echo.npy", rate = "100 MHz" }``, .npy beside it, or a `Cut` from a
    recorded corpus, ``{ corpus = "NAME", record = 3, from = "12 us", to = "15 us" }``.
    """

    rate: Annotated[Frequency, Positive]
    first_sample: Time = 0.0
    samples: str = Field(description="float32, little endian, base64")
    source: str = ""
    licence: str = ""

    @model_validator(mode="before")
    @classmethod
    def _take_in(cls, data: Any, info: ValidationInfo) -> Any:
        if isinstance(data, dict) and "corpus" in data:
            taken = Cut.model_validate(data, context=info.context).taken()
            # quantities of a file carry their units
            return taken | {"rate": f"{taken['rate']:.9g} Hz"}
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
