"""Corpora on offer and here, what is in one, and what its check found."""

from collections.abc import Sequence
from typing import Any, Final, Literal

from pydantic import Field

from echotrial.corpus.check import Finding
from echotrial.corpus.show import Summary
from echotrial.corpus.store import Corpus
from echotrial.strict import Strict

CORPORA: Final = "echotrial.corpora/1"
CORPUS: Final = "echotrial.corpus/1"
CHECK: Final = "echotrial.corpus-check/1"
Number = float | None
Origin = Literal["synthetic", "semi-synthetic", "recorded"]


class OfferData(Strict):
    """A spec to build, or a recorded set to fetch."""

    name: str
    default: bool = Field(description="taken by `run` without arguments")
    about: str
    error: str = Field(description="why it cannot be read; empty = it can")


class HereData(Strict):
    """A corpus that is here."""

    name: str
    folder: str
    origin: Origin | None
    prove: int | None
    tune: int | None
    error: str = Field(description="why it cannot be opened; empty = it can")


class CorporaData(Strict):
    """What can be built or fetched, and what is here."""

    schema_: Literal["echotrial.corpora/1"] = Field(CORPORA, alias="schema")
    specs: list[OfferData]
    recorded: list[OfferData]
    here: list[HereData]
    home: str


class SpreadData(Strict):
    """Of walls least, median and most; of levels the 5th percentile, median and 95th."""

    low: Number
    median: Number
    high: Number


class CorpusData(Strict):
    """What is in a corpus; null = the truth does not say."""

    schema_: Literal["echotrial.corpus/1"] = Field(CORPUS, alias="schema")
    name: str
    origin: Origin
    identity: str
    folder: str
    about: str
    licence: str
    source: str
    citation: str
    suspect: str = Field(description="what is doubtful in it")
    prove: int
    tune: int
    specimens: int
    walls: int = Field(description="records with a wall")
    samples: int = Field(description="of a record")
    rate_mhz: float
    wall_range_mm: tuple[float, float] = Field(description="of the set-up")
    thickness_mm: SpreadData
    wavelengths: SpreadData
    snr_db: SpreadData
    echo_snr_db: SpreadData
    clipped: float = Field(description="share of all records")
    dry: float = Field(description="share of all records")
    wet_tip: float = Field(description="share of all records")
    outside: Number = Field(description="share of the walls that lie outside the range")
    setup: dict[str, Any] = Field(description="as corpus.toml has it, quantities with units")


class FindingData(Strict):
    """One kind of thing that was found."""

    rule: str
    wrong: bool = Field(description="false: worth knowing, no more")
    says: str
    records: list[int] = Field(description="empty: it concerns the whole corpus")


class CheckedData(Strict):
    """What the check of a corpus found."""

    name: str
    records: int
    wrong: bool
    findings: list[FindingData]


class CheckData(Strict):
    """Corpora checked."""

    schema_: Literal["echotrial.corpus-check/1"] = Field(CHECK, alias="schema")
    corpora: list[CheckedData]


def described(corpus: Corpus, found: Summary) -> dict[str, Any]:
    """What is in a corpus, as data."""
    told = corpus.manifest
    words = ("about", "licence", "source", "citation", "suspect")
    counts = ("prove", "tune", "specimens", "walls", "clipped", "dry", "wet_tip", "outside")
    return {
        "name": corpus.name,
        "origin": corpus.origin,
        "identity": corpus.identity,
        "folder": str(corpus.folder),
        **{key: " ".join(getattr(told, key).split()) for key in words},
        **{key: getattr(found, key) for key in counts},
        "samples": corpus.n_samples,
        "rate_mhz": corpus.rate_hz / 1e6,
        "wall_range_mm": [1e3 * w for w in corpus.setup.wall_range],
        "thickness_mm": _spread([1e3 * w for w in found.wall_m]),
        **{k: _spread(getattr(found, k)) for k in ("wavelengths", "snr_db", "echo_snr_db")},
        "setup": told.setup,
    }


def _spread(values: Sequence[float]) -> dict[str, float]:
    return dict(zip(("low", "median", "high"), values, strict=True))


def checked(corpus: Corpus, findings: Sequence[Finding]) -> dict[str, Any]:
    """What the check of a corpus found, as data."""
    return {
        "name": corpus.name,
        "records": len(corpus),
        "wrong": any(f.wrong for f in findings),
        "findings": [vars(f) for f in findings],
    }
