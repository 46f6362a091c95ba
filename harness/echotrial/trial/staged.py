"""Files of a trial under way: they grow in its stage and take their names when all went well."""

from contextlib import ExitStack, suppress
from pathlib import Path
from types import TracebackType
from typing import ClassVar, Self

from echotrial.errors import NotToBeHad


class Staged:
    """Some files of a trial's `folder`, begun in `stage`; use as a context manager."""

    #: Names of the files, and what they are called in a message.
    names: ClassVar[tuple[str, ...]]
    called: ClassVar[str]

    def __init__(self, folder: Path, stage: Path) -> None:
        self._folder, self._stage = folder, stage
        self._open = ExitStack()

    def __enter__(self) -> Self:
        try:
            self._stage.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise self._not_written(error) from None
        return self

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
            self._finish()
            self._open.close()
            for name in self.names:
                (self._stage / name).replace(self._folder / name)
        except OSError as failed:
            raise self._not_written(failed) from None

    def _finish(self) -> None:
        """Write what comes last."""

    def _not_written(self, error: OSError) -> NotToBeHad:
        return NotToBeHad(
            f"{self._folder}: {self.called} cannot be written ({error.strerror or error}); "
            "readings so far are kept: make room, and run the same command again"
        )
