"""Which records are read together: chunks whose borders fall on a fixed grid of tiles."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrial.errors import WrongQuestion

#: Every chunk begins at a multiple of this many records and reaches to one, or to the end of the
#: corpus. A detector that feeds BLAS in tiles of a size that divides it (a product's last bits
#: depend on its shape) gives the same bytes whatever the chunk size and the number of workers.
TILE = 256
#: Records a chunk holds unless told otherwise: 8 MiB of float32 at 1024 samples a record.
LARGEST_CHUNK = 2048

Rows = tuple[int, int] | range | slice | Sequence[int] | NDArray[np.intp] | None


@dataclass(frozen=True)
class Span:
    """Records from `start` up to, not including, `stop`."""

    start: int
    stop: int

    def __len__(self) -> int:
        return self.stop - self.start

    def halves(self) -> tuple["Span", "Span"]:
        """Two parts, split on the grid of tiles as long as that is possible.

        So a record that is singled out has the same neighbours on its way, whatever chunk it
        came in.
        """
        unit = TILE if len(self) > TILE else 1
        middle = self.start + unit * ((len(self) // unit + 1) // 2 if unit > 1 else len(self) // 2)
        return Span(self.start, middle), Span(middle, self.stop)


def wanted(rows: Rows, length: int) -> NDArray[np.intp]:
    """Record numbers, ascending and once each; a tuple is (start, stop), None is all.

    Raises
    ------
    WrongQuestion
        A record that the corpus does not have.
    """
    if rows is None:
        return np.arange(length)
    if isinstance(rows, slice):
        return np.arange(length)[rows]
    if isinstance(rows, tuple):
        rows = range(*rows)
    found = np.unique(np.asarray(rows, dtype=np.intp))
    if found.size and (found[0] < 0 or found[-1] >= length):
        raise WrongQuestion(
            f"records {found[0]} to {found[-1]} are asked for: the corpus has 0 to {length - 1}"
        )
    return found


def tiles_of(records: NDArray[np.intp]) -> NDArray[np.intp]:
    """Numbers of the tiles in which these records lie."""
    return np.unique(records // TILE)


def chunk_size(asked: int | None, records: int, workers: int) -> int:
    """Records a chunk, a multiple of `TILE`; small runs get two chunks a worker."""
    if asked is not None and asked < 1:
        raise WrongQuestion(f"a chunk of {asked} records: it has to be 1 or more")
    size = asked or min(LARGEST_CHUNK, records // (2 * max(workers, 1)) or 1)
    return -(-size // TILE) * TILE


def chunks(tiles: NDArray[np.intp], length: int, size: int) -> Iterator[Span]:
    """Runs of neighbouring tiles, cut at multiples of `size` and at the end of the corpus."""
    per_chunk = size // TILE
    if tiles.size == 0:
        return
    breaks = np.flatnonzero((np.diff(tiles) > 1) | (np.diff(tiles // per_chunk) > 0)) + 1
    for run in np.split(tiles, breaks):
        yield Span(int(run[0]) * TILE, min((int(run[-1]) + 1) * TILE, length))


def parted(spans: Sequence[Span], start: int, stop: int) -> tuple[list[Span], list[Span]]:
    """Those that have one of the records from `start` up to `stop`, and the others."""
    has = [s.start < stop and s.stop > start for s in spans]
    return (
        [s for s, yes in zip(spans, has, strict=True) if yes],
        [s for s, yes in zip(spans, has, strict=True) if not yes],
    )


def tapered(spans: Sequence[Span], workers: int) -> list[Span]:
    """The same records, the last `workers` chunks in halves, so that workers end together."""
    if workers < 2:
        return list(spans)
    whole, last = spans[:-workers], spans[-workers:]
    return [*whole, *(half for span in last for half in _cut(span))]


def _cut(span: Span) -> tuple[Span, ...]:
    return span.halves() if len(span) > TILE else (span,)
