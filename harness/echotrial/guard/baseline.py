"""The baseline file: what every detector answered, packed small enough to be reviewed."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import tomlkit

from echotrial.compare.side import CorpusSide, Side
from echotrial.errors import NotToBeHad, WrongQuestion
from echotrial.files import write_text
from echotrial.guard.packing import pack, unpack
from echotrial.strict import read_toml

FORMAT: Final = 1
_HEAD: Final = (
    "# What detectors answered to each record when this baseline was accepted; one letter a\n"
    "# record: hit, off, undecided, stray, echo skip, cycle skip, ambiguous, tail lock, phantom,\n"
    "# quiet, dropout, x crashed, l timed out, invalid, not applicable; a capital read too thick.\n"
    "# Written by `echotrial guard --accept --because ...`: by hand the digest would not fit.\n"
)


@dataclass(frozen=True, eq=False)
class Baseline:
    """What trials are compared with.

    Attributes
    ----------
    because, date
        Why and when it was accepted.
    made_by
        Version of the host and of the libraries, and the machine.
    size, seed
        With which synthetic corpora are made again.
    side
        The answers.
    verdicts
        Rows corpus, detector, verdict, why: how it compared with the baseline before it.
    """

    because: str
    date: str
    made_by: Mapping[str, Any]
    size: str
    seed: int
    side: Side
    verdicts: tuple[Mapping[str, str], ...] = ()


def write_baseline(path: Path, baseline: Baseline) -> None:
    """Write it as TOML with its digest inside."""
    data = _data(baseline)
    document = tomlkit.dumps({"digest": digest(data), **data})
    write_text(path, _HEAD + document)


def read_baseline(path: Path) -> Baseline:
    """Read what `write_baseline` wrote.

    Raises
    ------
    WrongQuestion
        No such file, no TOML, or one that was cut short or edited by hand.
    NotToBeHad
        Another format than this version's.
    """
    data = read_toml(path)
    if data.get("format") != FORMAT:
        raise NotToBeHad(
            f"{path}: baseline of format {data.get('format')!r}, this version reads {FORMAT}: "
            'accept a new one with `echotrial guard --accept --because "..."`'
        )
    said = data.pop("digest", None)
    if said != digest(data):
        raise WrongQuestion(
            f"{path}: its digest does not fit its content: it was cut short or edited by hand; "
            'take it from version control, or accept a new one with --accept --because "..."'
        )
    try:
        return _baseline(data, str(path))
    except (KeyError, ValueError, TypeError, AttributeError) as error:
        raise WrongQuestion(f"{path}: is not what a baseline holds ({error})") from None


def digest(data: Mapping[str, Any]) -> str:
    """sha256 over the content, whatever its layout."""
    canonical = json.dumps(data, sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(canonical.encode()).hexdigest()


def _data(baseline: Baseline) -> dict[str, Any]:
    side = baseline.side
    return {
        "format": FORMAT,
        "because": baseline.because,
        "date": baseline.date,
        "size": baseline.size,
        "seed": baseline.seed,
        "made_by": dict(baseline.made_by),
        "verdict": [dict(row) for row in baseline.verdicts],
        "detector": [{"name": name, **info} for name, info in side.detectors.items()],
        "corpus": [_corpus_data(corpus) for corpus in side.corpora.values()],
    }


def _corpus_data(corpus: CorpusSide) -> dict[str, Any]:
    if not np.array_equal(corpus.records, np.arange(corpus.records.size)):
        raise ValueError(f"{corpus.name}: a baseline holds the first records of `prove`")
    return {
        "name": corpus.name,
        "identity": corpus.identity,
        "origin": corpus.origin,
        "records": int(corpus.records.size),
        **corpus.scoring,
        "answers": [{"detector": n, **pack(a)} for n, a in corpus.answers.items()],
    }


def _baseline(data: Mapping[str, Any], label: str) -> Baseline:
    detectors = {d["name"]: {k: v for k, v in d.items() if k != "name"} for d in data["detector"]}
    corpora = {c["name"]: _corpus_side(c) for c in data["corpus"]}
    return Baseline(
        data["because"],
        data["date"],
        data["made_by"],
        data["size"],
        data["seed"],
        Side(f"{label}, accepted {data['date']}", corpora, detectors),
        tuple(data["verdict"]),
    )


def _corpus_side(data: Mapping[str, Any]) -> CorpusSide:
    found = {a["detector"]: unpack(a) for a in data["answers"]}
    records = int(data["records"])
    for name, answers in found.items():
        if answers.outcome.size != records:
            raise ValueError(f"{name}: {answers.outcome.size} outcomes of {records} records")
    return CorpusSide(
        data["name"],
        data["identity"],
        data["origin"],
        {key: data[key] for key in ("tolerance", "wall_range")},
        np.arange(records),
        found,
    )
