"""The trial folder: written file by file, each whole or not at all; ``complete`` comes last."""

import html
from collections.abc import Iterator, Mapping
from functools import cached_property
from pathlib import Path
from typing import Any, Final

import orjson
import pandas as pd
import tomlkit

from echotrial.errors import NotToBeHad, WrongQuestion
from echotrial.files import write_text
from echotrial.scores.wide import wide
from echotrial.strict import read_toml

FORMAT = 1
TRIAL, READINGS, RECORDS, SCORES = "trial.toml", "readings.parquet", "records.parquet", "scores.csv"
VERDICTS = "scores.json"
#: First and last line of that file; between them stands a line for each corpus.
HEAD: Final = '{"schema": "echotrial.trial/1", "corpora": [\n'
TAIL: Final = "]}\n"
#: With more records than this in a corpus a trial is large: it is not shown before its end.
AT_HAND: Final = 20_000
#: Columns of `scores.wide` in a notebook: heading, and factor to its unit.
SHOWN: Final = {
    "hit": ("hit %", 100),
    "dropout": ("silent %", 100),
    "off": ("off %", 100),
    "false lock": ("false lock %", 100),
    "thick false lock": ("thick %", 100),
    "phantom": ("phantom dry %", 100),
    "wet-tip phantom": ("phantom wet tip %", 100),
    "bias_um": ("bias um", 1),
    "rms_um": ("rms um", 1),
    "thin_wall_wavelengths": ("thinnest, wavelengths", 1),
}


class Trial:
    """A trial folder, opened; tables are read when they are asked for.

    Attributes
    ----------
    folder
        Where it lives.
    info
        trial.toml: what ran, on what, with which settings and mark offsets.
    """

    def __init__(
        self,
        folder: Path,
        info: Mapping[str, Any],
        *,
        records_below: int | None = None,
        corpus: str | None = None,
    ) -> None:
        self.folder, self.info, self.records_below, self.corpus = (
            folder, info, records_below, corpus,
        )  # fmt: skip

    def first(self, records: int) -> "Trial":
        """The same trial, with tables of the records below this number only; scores are of all."""
        return Trial(self.folder, self.info, records_below=records, corpus=self.corpus)

    def of(self, corpus: str) -> "Trial":
        """The same trial, with tables of one corpus only: those of all may be large."""
        return Trial(self.folder, self.info, records_below=self.records_below, corpus=corpus)

    def holds_more_than(self, records: int) -> bool:
        """Whether any corpus has that many records that were read, without reading a table."""
        return any(c["prove"] + c["tune"] > records for c in self.info["corpora"])

    def _table(self, name: str) -> pd.DataFrame:
        below, own = self.records_below, self.corpus
        filters: list[tuple[str, str, Any]] = []
        filters += [] if below is None else [("record", "<", below)]
        filters += [] if own is None or len(self.info["corpora"]) == 1 else [("corpus", "==", own)]
        return pd.read_parquet(self.folder / name, filters=filters or None)

    def holding(self, readings: pd.DataFrame, records: pd.DataFrame) -> "Trial":
        """The same trial with its tables at hand: its folder need not have them yet."""
        found = Trial(self.folder, self.info, records_below=self.records_below, corpus=self.corpus)
        found.readings, found.records = readings, records
        return found

    @property
    def complete(self) -> bool:
        """Whether every record was read and scored."""
        return bool(self.info["complete"])

    @cached_property
    def readings(self) -> pd.DataFrame:
        """One row a record and detector: `columns.READINGS` and `columns.OUTCOMES`."""
        return self._table(READINGS)

    @cached_property
    def records(self) -> pd.DataFrame:
        """The truth of every record that was read (`columns.TRUTH`), with its ``corpus``."""
        return self._table(RECORDS)

    @cached_property
    def scores(self) -> pd.DataFrame:
        """The long table of scores (`columns.SCORES`)."""
        return pd.read_csv(self.folder / SCORES)

    @cached_property
    def verdicts(self) -> dict[str, Any]:
        """Scores and verdict of each corpus as JSON data."""
        found: dict[str, Any] = orjson.loads((self.folder / VERDICTS).read_bytes())
        return found

    def documents(self) -> Iterator[dict[str, Any]]:
        """Scores and verdict of each corpus, one at a time: as JSON data they are large."""
        with (self.folder / VERDICTS).open(encoding="utf-8") as file:
            if file.readline() == HEAD:
                for line in file:
                    if line != TAIL:
                        yield orjson.loads(line.removesuffix("\n").removesuffix(","))
                return
        yield from self.verdicts["corpora"]  # laid out by somebody else

    def verdict(self, corpus: str) -> str:
        """Which detector can be trusted on a corpus, in a sentence."""
        found = next(c for c in self.verdicts["corpora"] if c["corpus"] == corpus)
        return str(found["verdict"]["sentence"])

    def _repr_html_(self) -> str:
        """What a notebook shows: verdict and main scores of each corpus."""
        parts = [f"<p>{html.escape(repr(self))}</p>"]
        for info in self.info["corpora"]:
            own = self.scores[self.scores["corpus"] == info["name"]].fillna({"bin": ""})
            table = wide(own, [d["name"] for d in self.info["detectors"]])
            shown = {name: table[key] * scale for key, (name, scale) in SHOWN.items()}
            found = pd.DataFrame(shown).rename_axis(index=None)
            parts.append(f"<p>{html.escape(self.verdict(info['name']))}</p>")
            parts.append(found.to_html(float_format="{:.3g}".format, na_rep="–"))
        parts.append("<p>Rates are of walls in range; phantoms of records without a wall.</p>")
        return "\n".join(parts)

    def __repr__(self) -> str:
        corpora = ", ".join(c["name"] for c in self.info["corpora"])
        detectors = ", ".join(d["name"] for d in self.info["detectors"])
        state = "" if self.complete else ", incomplete"
        return f"<Trial {self.folder}: {detectors} over {corpora}{state}>"


def open_trial(folder: Path | str) -> Trial:
    """Open a trial folder.

    Raises
    ------
    WrongQuestion
        No trial there, or one of another format.
    NotToBeHad
        A trial that was stopped before its end.
    """
    folder = Path(folder)
    if not (folder / TRIAL).is_file():
        raise WrongQuestion(
            f"{folder}: no {TRIAL} here; `echotrial run --out FOLDER` makes a trial"
        )
    info = read_toml(folder / TRIAL)
    if info.get("format") != FORMAT:
        raise WrongQuestion(
            f"{folder / TRIAL}: format {info.get('format')!r}; this version reads format {FORMAT}"
        )
    if not info.get("complete"):
        raise NotToBeHad(f"{folder}: this trial is incomplete; run it again into the same folder")
    return Trial(folder, info)


def write_info(folder: Path, info: Mapping[str, Any]) -> None:
    """Write trial.toml."""
    write_text(folder / TRIAL, tomlkit.dumps({"format": FORMAT, **info}))
