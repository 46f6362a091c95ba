"""scores.csv and scores.json, written corpus by corpus: together their rows take much room."""

from pathlib import Path
from typing import BinaryIO

import pandas as pd
import pyarrow as pa
from pyarrow import csv

from echotrial.trial.folder import HEAD, SCORES, TAIL, VERDICTS
from echotrial.trial.staged import Staged

_PLAIN = csv.WriteOptions(include_header=False, quoting_style="needed")


class ScoreFiles(Staged):
    """Both files of scores."""

    names, called = (SCORES, VERDICTS), "scores"

    def __init__(self, folder: Path, stage: Path) -> None:
        super().__init__(folder, stage)
        self._files: tuple[BinaryIO, BinaryIO] | None = None

    def add(self, table: pd.DataFrame, document: bytes) -> None:
        """Write the scores of one corpus: rows, and JSON text, which gets a line of its own.

        Raises
        ------
        NotToBeHad
            The disk is full.
        """
        first = self._files is None
        try:
            rows, documents = self._files = self._files or (
                self._file(SCORES),
                self._file(VERDICTS),
            )
            if first:
                rows.write((",".join(map(str, table)) + "\n").encode())
            csv.write_csv(pa.Table.from_pandas(table, preserve_index=False), rows, _PLAIN)
            documents.write((HEAD if first else ",\n").encode() + document)
        except OSError as error:
            raise self._not_written(error) from None

    def _file(self, name: str) -> BinaryIO:
        return self._open.enter_context((self._stage / name).open("wb"))

    def _finish(self) -> None:
        assert self._files is not None  # a trial without a corpus is refused
        self._files[1].write(f"\n{TAIL}".encode())
