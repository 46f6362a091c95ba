"""scores.csv and scores.json, written corpus by corpus: together their rows take much room."""

from pathlib import Path
from typing import IO

import pandas as pd

from echotrial.trial.folder import HEAD, SCORES, TAIL, VERDICTS
from echotrial.trial.staged import Staged


class ScoreFiles(Staged):
    """Both files of scores."""

    names, called = (SCORES, VERDICTS), "scores"

    def __init__(self, folder: Path, stage: Path) -> None:
        super().__init__(folder, stage)
        self._files: tuple[IO[str], IO[str]] | None = None

    def add(self, table: pd.DataFrame, document: str) -> None:
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
            table.to_csv(rows, index=False, lineterminator="\n", header=first)
            documents.write((HEAD if first else ",\n") + document)
        except OSError as error:
            raise self._not_written(error) from None

    def _file(self, name: str) -> IO[str]:
        return self._open.enter_context(
            (self._stage / name).open("w", encoding="utf-8", newline="\n")
        )

    def _finish(self) -> None:
        assert self._files is not None  # a trial without a corpus is refused
        self._files[1].write(f"\n{TAIL}")
