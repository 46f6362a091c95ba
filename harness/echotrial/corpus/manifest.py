"""corpus.toml: what a corpus says of itself."""

from collections.abc import Mapping
from typing import Annotated, Any, Literal

import tomlkit
from pydantic import Field

from echotrial import __version__, quantities
from echotrial.quantities import Frequency
from echotrial.setup import Positive
from echotrial.strict import Strict

FORMAT = 1
SPLITS = ("prove", "tune")  # in this order in every folder
Origin = Literal["synthetic", "semi-synthetic", "recorded"]
Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$")]
Count = Annotated[int, Field(ge=0, strict=True)]


class Description(Strict):
    """Name and provenance of a corpus, in words."""

    name: Name
    origin: Origin
    about: str = ""
    licence: str = ""
    source: str = ""
    citation: str = ""
    suspect: str = Field("", description="what is doubtful in it")


class Sampling(Strict):
    """How the records were sampled; `full_scale` is the sample value that means full scale."""

    rate: Annotated[Frequency, Positive]
    samples: Annotated[int, Field(gt=0, strict=True)]
    full_scale: Annotated[float, Field(gt=0)] = 1.0


class Counts(Strict):
    """Records in each split."""

    prove: Count = 0
    tune: Count = 0

    @property
    def total(self) -> int:
        """Records altogether."""
        return self.prove + self.tune


class Synthetic(Strict):
    """From what a synthetic corpus can be made again, byte for byte."""

    generator: str
    seed: int
    spec: str


class Manifest(Description):
    """All of corpus.toml but the set-up, which `echotrial.setup.read_setup` reads."""

    format: Literal[1] = 1
    identity: str
    made_by: str = f"echotrial {__version__}"
    records: Counts
    sampling: Sampling
    setup: dict[str, Any]
    synthetic: Synthetic | None = None
    checksums: dict[str, str]

    def text(self) -> str:
        """The file's content, quantities with their units."""
        words = {k: v for k, v in self.model_dump(exclude=_TABLES).items() if v != ""}
        sampling = {
            "rate": quantities.text(self.sampling.rate, "frequency", "MHz"),
            "samples": self.sampling.samples,
            "full_scale": self.sampling.full_scale,
        }
        tables: dict[str, Mapping[str, Any]] = {
            "records": self.records.model_dump(),
            "sampling": sampling,
            "setup": self.setup,
            "checksums": self.checksums,
        }
        if self.synthetic is not None:
            tables["synthetic"] = self.synthetic.model_dump()
        return tomlkit.dumps({"format": self.format, **words, **tables})


_TABLES = {"format", "records", "sampling", "setup", "synthetic", "checksums"}
