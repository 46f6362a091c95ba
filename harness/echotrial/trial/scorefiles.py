"""scores.csv and scores.json, written corpus by corpus: together their rows take much room."""

from contextlib import ExitStack, suppress
from pathlib import Path
from types import TracebackType
from typing import IO, Self

import pandas as pd

from echotrial.errors import NotToBeHad
from echotrial.trial.folder import HEAD, SCORES, TAIL, VERDICTS


class ScoreFiles:
    """Both files of a trial; use as a context manager.

    They grow in `stage` and take their names in `folder` when the block succeeds.
    """

    def __init__(self, folder: Path, stage: Path) -> None:
        self._folder, self._stage = folder, stage
        self._open, self._corpora = ExitStack(), 0

    def __enter__(self) -> Self:
        self._stage.mkdir(parents=True, exist_ok=True)
        self._table, self._documents = self._file(SCORES), self._file(VERDICTS)
        return self

    def _file(self, name: str) -> IO[str]:
        return self._open.enter_context(
            (self._stage / name).open("w", encoding="utf-8", newline="\n")
        )

    def add(self, table: pd.DataFrame, document: str) -> None:
        """Write the scores of one corpus: rows, and JSON text, which gets a line of its own.

        Raises
        ------
        NotToBeHad
            The disk is full.
        """
        first = self._corpora == 0
        try:
            table.to_csv(self._table, index=False, lineterminator="\n", header=first)
            self._documents.write((HEAD if first else ",\n") + document)
        except OSError as error:
            raise self._not_written(error) from None
        self._corpora += 1

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is not None:
            with suppress(OSError):
                self._open.close()
            return
        try:
            self._documents.write(f"\n{TAIL}")
            self._open.close()
            for name in (SCORES, VERDICTS):
                (self._stage / name).replace(self._folder / name)
        except OSError as failed:
            raise self._not_written(failed) from None

    def _not_written(self, error: OSError) -> NotToBeHad:
        return NotToBeHad(
            f"{self._folder}: scores cannot be written ({error.strerror or error}); readings are "
            "kept: make room, and run the same command again"
        )
