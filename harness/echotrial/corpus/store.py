"""A corpus on disk: opened memory-mapped and read by rows; written in chunks and then renamed."""

import hashlib
import html
from collections.abc import Iterable, Mapping
from contextlib import ExitStack
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from echotrial import columns
from echotrial.ascan import Batch
from echotrial.corpus import home
from echotrial.corpus.manifest import (
    SPLITS,
    Counts,
    Description,
    Manifest,
    Sampling,
    Synthetic,
)
from echotrial.errors import Refused, WrongQuestion, nearest
from echotrial.files import new_folder, sha256
from echotrial.hooks import Material
from echotrial.setup import Setup, read_setup, waveform_reader
from echotrial.strict import read_toml

INT16_FULL_SCALE = 32767
_ALWAYS = ("record", "split", "specimen", "thickness_mm", "thickness_u_mm")
_REFERENCE = "reference.npy"
#: Rows of a row group. A kilobyte a column of each is kept in memory until the file is closed.
GROUP = 8192
_LISTS = {"back_wall_us": pa.list_(pa.float64()), "back_wall_stands": pa.list_(pa.bool_())}


def scaled(rows: NDArray[Any], full_scale: float) -> NDArray[np.float32]:
    """Stored samples as float32 with full scale 1; one new C-contiguous array, read-only."""
    whole = INT16_FULL_SCALE if rows.dtype == np.int16 else full_scale
    samples: NDArray[np.float32] = np.divide(rows, np.float32(whole), dtype=np.float32, order="C")
    samples.flags.writeable = False
    return samples


#: No row group of the truth is held.
_NO_GROUP: Final = (-1, None)


class Corpus:
    """A corpus folder, opened; nothing but the manifest is read until it is asked for.

    Attributes
    ----------
    folder
        Where it lives.
    manifest
        Its corpus.toml.
    address
        Where it was fetched from, if it was (`corpus.address`).
    setup
        What the operator knows, with named materials resolved where a table was given.
    """

    def __init__(self, folder: Path, manifest: Manifest, setup: Setup) -> None:
        self.folder, self.manifest, self.setup = folder, manifest, setup
        self.address: str | None = None
        self._last_group: tuple[int, pa.Table] = _NO_GROUP

    @classmethod
    def open(cls, folder: Path | str, *, materials: Mapping[str, Material] | None = None) -> Self:
        """Open a corpus folder and check that its files fit together.

        Parameters
        ----------
        folder
            Has a corpus.toml.
        materials
            Table through which materials named in the set-up become impedances; without it they
            stay names.

        Raises
        ------
        WrongQuestion
            No corpus, no records, files that disagree in shape, or an unknown material.
        Refused
            A file is cut short or missing.
        """
        folder = Path(folder)
        path = folder / home.MANIFEST
        if not path.is_file():
            raise WrongQuestion(
                f"{folder}: no {home.MANIFEST} here, so it is no corpus folder; "
                "`echotrial corpus import SHEET.toml` makes one of recordings"
            )
        manifest = Manifest.read(read_toml(path), str(path))
        reader = waveform_reader(folder, manifest.sampling.rate, 0.0)
        setup = read_setup(manifest.setup, f"{path}: setup", reader)
        if materials is not None:
            setup = setup.resolved(lambda name: materials[name].impedance, list(materials))
        corpus = cls(folder, manifest, setup)
        corpus._fits_together()
        return corpus

    # -- what it is -------------------------------------------------------------------------------

    @property
    def name(self) -> str:
        """Name, unique among the corpora of one trial."""
        return self.manifest.name

    @property
    def origin(self) -> str:
        """``synthetic``, ``semi-synthetic`` or ``recorded``."""
        return self.manifest.origin

    @property
    def identity(self) -> str:
        """Digest of what it was made from (synthetic) or of what is in it (recorded)."""
        return self.manifest.identity

    @property
    def sampling(self) -> Sampling:
        """Rate, samples a record and full scale."""
        return self.manifest.sampling

    @property
    def rate_hz(self) -> float:
        """Sampling rate."""
        return self.manifest.sampling.rate

    @property
    def n_samples(self) -> int:
        """Samples a record."""
        return self.manifest.sampling.samples

    def __len__(self) -> int:
        return self.manifest.records.total

    def rows(self, split: str) -> slice:
        """Records of a split; those of ``prove`` come first."""
        counts = self.manifest.records
        if split not in SPLITS:
            raise WrongQuestion(f"split '{split}': {nearest(split, SPLITS)}")
        return slice(0, counts.prove) if split == "prove" else slice(counts.prove, counts.total)

    def release(self) -> None:
        """Let go of what was read of its files; it is read again when it is asked for."""
        for name in ("known", "truth", "stored", "_truth_file", "_start_s"):
            self.__dict__.pop(name, None)
        self._last_group = _NO_GROUP

    # -- what is in it ----------------------------------------------------------------------------

    @cached_property
    def known(self) -> pd.DataFrame:
        """What detectors may see of each record (`columns.KNOWN`)."""
        return pd.read_parquet(self.folder / "known.parquet")

    @cached_property
    def truth(self) -> pd.DataFrame:
        """What they never see (`columns.TRUTH`), one row a record."""
        return pd.read_parquet(self.folder / "truth.parquet")

    def truth_of(self, *names: str) -> pd.DataFrame:
        """Those of the named columns that the truth has; the others are not read."""
        if "truth" in self.__dict__:
            return self.truth[[name for name in names if name in self.truth]]
        have = self._truth_file.schema_arrow.names
        wanted = [name for name in names if name in have]
        return pd.read_parquet(self.folder / "truth.parquet", columns=wanted)

    def specimens(self) -> NDArray[np.uint64]:
        """A number for each record's specimen, (n,): a 64-bit digest of its name."""
        found = np.empty(len(self), np.uint64)
        for start in range(0, len(self), GROUP):
            names = self.truth_rows(start, start + GROUP)["specimen"].to_pylist()
            words = np.array(list(map(str, names)), dtype=object)
            found[start : start + GROUP] = pd.util.hash_array(words, categorize=False)
        return found

    def truth_rows(self, start: int, stop: int) -> pa.Table:
        """The truth of records `start` to `stop`; only their part of the file is read."""
        file, found = self._truth_file, []
        first = 0
        for group in range(file.num_row_groups):
            last = first + file.metadata.row_group(group).num_rows
            if first < stop and last > start:
                rows = self._truth_group(group)
                found.append(rows.slice(max(start - first, 0), min(stop, last) - max(start, first)))
            first = last
        return pa.concat_tables(found) if found else file.schema_arrow.empty_table()

    def _truth_group(self, group: int) -> pa.Table:
        """Rows of one row group; the last one is kept, as records are mostly read in order."""
        if self._last_group[0] != group:
            self._last_group = (group, self._truth_file.read_row_group(group, use_threads=False))
        return self._last_group[1]

    @cached_property
    def _truth_file(self) -> pq.ParquetFile:
        return pq.ParquetFile(self.folder / "truth.parquet")

    @cached_property
    def stored(self) -> NDArray[Any]:
        """The waveforms as they lie on disk, (n, m) int16 or float32, memory-mapped."""
        path = self.folder / "waveforms.npy"
        try:
            return np.asanyarray(np.load(path, mmap_mode="r", allow_pickle=False))
        except (OSError, ValueError) as error:
            raise Refused(f"{path}: damaged or missing ({error})") from None

    @cached_property
    def _start_s(self) -> NDArray[np.float64]:
        return self.known["start_us"].to_numpy(dtype=np.float64) / 1e6

    def batch(self, start: int = 0, stop: int | None = None) -> Batch:
        """Records `start` to `stop` as a detector sees them; only these rows are read.

        Raises
        ------
        Refused
            Samples that are NaN or infinite.
        """
        samples = scaled(self.stored[start:stop], self.sampling.full_scale)
        if self.stored.dtype != np.int16 and not np.isfinite(samples).all():
            bad = start + np.flatnonzero(~np.isfinite(samples).all(axis=1))
            raise Refused(f"{self.folder}: samples not finite in {records_named(bad)}")
        starts = self._start_s[start:stop].copy()
        starts.flags.writeable = False
        return Batch(samples, self.rate_hz, starts, self.setup)

    # -- whether it is whole ----------------------------------------------------------------------

    def verify(self) -> None:
        """Compare every file with its checksum; files unchanged since the last time cost nothing.

        Raises
        ------
        Refused
            A file is missing or not the one that was written.
        """
        memory = home.checksums()
        for name, wanted in self.manifest.checksums.items():
            path = self.folder / name
            if not path.is_file():
                raise Refused(f"{path}: missing; the corpus is damaged, make or fetch it anew")
            if memory.sha256(path) != wanted:
                raise Refused(
                    f"{path}: its checksum is not the one in {home.MANIFEST}; "
                    "the corpus is damaged, make or fetch it anew"
                )

    def _fits_together(self) -> None:
        if len(self) == 0:
            raise WrongQuestion(f"{self.folder}: an empty corpus: it has no records")
        wanted = (len(self), self.n_samples)
        if self.stored.dtype not in (np.int16, np.float32):
            raise WrongQuestion(
                f"{self.folder}/waveforms.npy: {self.stored.dtype}: int16 or float32 it has to be"
            )
        if self.stored.shape != wanted:
            raise WrongQuestion(
                f"{self.folder}/waveforms.npy: shape {self.stored.shape}, but {home.MANIFEST} says "
                f"{wanted[0]} records of {wanted[1]} samples"
            )
        self._table_fits("known.parquet", tuple(columns.KNOWN))
        self._table_fits("truth.parquet", _ALWAYS)

    def _table_fits(self, name: str, needed: tuple[str, ...]) -> None:
        path = self.folder / name
        try:
            seen = pq.ParquetFile(path)
        except (OSError, pa.ArrowException) as error:
            raise Refused(f"{path}: damaged or missing ({error})") from None
        with seen:
            rows, have = seen.metadata.num_rows, seen.schema_arrow.names
        if rows != len(self):
            raise WrongQuestion(f"{path}: {rows} rows for {len(self)} records of waveforms.npy")
        lacking = [c for c in needed if c not in have]
        if lacking:
            raise WrongQuestion(f"{path}: no column {', '.join(lacking)}; it has {', '.join(have)}")

    def _repr_html_(self) -> str:
        """What a notebook shows; reads no more than the manifest."""
        counts, low_high = self.manifest.records, self.setup.table()["wall_range"]
        facts = {
            "corpus": self.name,
            "origin": self.origin,
            "about": " ".join(self.manifest.about.split()),
            "records": f"{counts.prove} prove, {counts.tune} tune",
            "sampling": f"{self.n_samples} samples at {self.rate_hz / 1e6:g} MHz",
            "wall range": " to ".join(low_high),
            "identity": self.identity,
            "folder": str(self.folder),
        }
        rows = (
            f"<tr><th>{key}</th><td style='text-align:left'>{html.escape(value)}</td></tr>"
            for key, value in facts.items()
        )
        return f"<table>{''.join(rows)}</table>"

    def __getstate__(self) -> dict[str, Any]:
        # A memory map would travel to another process as a copy of the whole file.
        kept = {k: self.__dict__[k] for k in ("folder", "manifest", "setup", "address")}
        return kept | {"_last_group": _NO_GROUP}


def records_named(records: Iterable[int], most: int = 5) -> str:
    """``record 3`` or ``12 records: 0, 1, 2, 3, 4 ...``."""
    numbers = [str(int(r)) for r in records]
    first = ", ".join(numbers[:most])
    if len(numbers) == 1:
        return f"record {first}"
    return f"{len(numbers)} records: {first}{' ...' if len(numbers) > most else ''}"


class CorpusWriter:
    """Streams a corpus to disk, ``prove`` first; the folder appears when all of it is there.

    Use as a context manager and `append` until the counts are reached. An error, or fewer records
    than promised, leaves nothing behind.

    Parameters
    ----------
    folder
        Must not exist, unless `replace`.
    description, setup, counts
        What it is, what the operator knows, and how many records each split will have.
    sampling
        With `full_scale`, which float32 waveforms are relative to.
    dtype
        int16 (32767 = full scale) or float32.
    identity
        Digest of what it is made from; None: digest of waveforms, tables and set-up.
    synthetic
        Spec, seed and generator of a synthetic corpus.
    """

    def __init__(
        self,
        folder: Path,
        description: Description,
        setup: Setup,
        sampling: Sampling,
        counts: Counts,
        *,
        dtype: type[np.int16] | type[np.float32] = np.int16,
        identity: str | None = None,
        synthetic: Synthetic | None = None,
        replace: bool = False,
    ) -> None:
        self.folder, self.description, self.setup = folder, description, setup
        self.sampling, self.counts, self.dtype = sampling, counts, np.dtype(dtype)
        self.identity, self.synthetic, self.replace = identity, synthetic, replace
        self.written = 0
        self._contents = {part: hashlib.sha256() for part in ("waveforms", "known", "truth")}
        self._tables: dict[str, pq.ParquetWriter] = {}
        self._waiting: dict[str, pa.Table] = {}
        self._open = ExitStack()

    def __enter__(self) -> Self:
        try:
            self._part = self._open.enter_context(new_folder(self.folder, replace=self.replace))
        except FileExistsError as error:
            raise WrongQuestion(f"{error}; choose another folder or say --replace") from None
        self._waveforms = self._open.enter_context((self._part / "waveforms.npy").open("wb"))
        shape = (self.counts.total, self.sampling.samples)
        header = {"descr": self.dtype.str, "fortran_order": False, "shape": shape}
        np.lib.format.write_array_header_1_0(self._waveforms, header)
        return self

    def append(self, samples: NDArray[Any], known: pd.DataFrame, truth: pd.DataFrame) -> None:
        """Add records in order: samples (k, m), tables of k rows (see `hooks.SyntheticRecords`).

        The columns ``record`` and ``split`` are added here.
        """
        stop = self.written + len(samples)
        if samples.dtype != self.dtype or samples.shape[1:] != (self.sampling.samples,):
            raise WrongQuestion(
                f"{samples.shape[1:]} samples of {samples.dtype} a record, where "
                f"{self.sampling.samples} of {self.dtype} were promised"
            )
        if not len(samples) == len(known) == len(truth) or stop > self.counts.total:
            raise WrongQuestion(
                f"{len(samples)} waveforms, {len(known)} rows of what is known, {len(truth)} of "
                f"truth, {self.written} records before and {self.counts.total} promised"
            )
        record = np.arange(self.written, stop)
        split = np.where(record < self.counts.prove, *SPLITS)
        rows = np.ascontiguousarray(samples)
        self._waveforms.write(rows.data)
        self._contents["waveforms"].update(rows.data)
        self._write_rows("known", known)
        self._write_rows("truth", _leading(truth, record, split))
        self.written = stop

    def _write_rows(self, table: str, frame: pd.DataFrame) -> None:
        found = pa.Table.from_pandas(frame, preserve_index=False)
        text = frame.to_json(orient="records", lines=True, double_precision=15)
        self._contents[table].update(text.encode())
        if table not in self._tables:
            schema = pa.schema([_settled(f) for f in found.schema])
            writer = pq.ParquetWriter(self._part / f"{table}.parquet", schema)
            self._tables[table] = self._open.enter_context(writer)
            self._waiting[table] = schema.empty_table()
        schema = self._tables[table].schema
        rows = found.select(schema.names).cast(schema)
        self._waiting[table] = pa.concat_tables([self._waiting[table], rows])
        self._write_groups(table, GROUP)

    def _write_groups(self, table: str, least: int) -> None:
        """Write what waits in row groups of GROUP rows while there are `least` of them."""
        while self._waiting[table].num_rows >= least:
            self._tables[table].write_table(self._waiting[table].slice(0, GROUP))
            self._waiting[table] = self._waiting[table].slice(GROUP)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is not None:
            self._open.__exit__(kind, error, trace)
            return
        with self._open:
            if self.written != self.counts.total:
                raise WrongQuestion(
                    f"{self.folder}: {self.written} records of {self.counts.total} promised"
                )
            self._close_files()
            self._finish()

    def _close_files(self) -> None:
        self._waveforms.close()
        for table, writer in self._tables.items():
            self._write_groups(table, 1)
            writer.close()

    def _digest(self) -> str:
        """Of all that is in the corpus, whatever the chunks it came in."""
        parts = [self.setup.digest(), *(c.hexdigest() for c in self._contents.values())]
        return hashlib.sha256("".join(parts).encode()).hexdigest()

    def _finish(self) -> None:
        echo = self.setup.reference_echo
        if echo is not None:
            np.save(self._part / _REFERENCE, echo.samples, allow_pickle=False)
        manifest = Manifest(
            **self.description.model_dump(),
            identity=self.identity or self._digest(),
            records=self.counts,
            sampling=self.sampling,
            setup=self.setup.table(_REFERENCE),
            synthetic=self.synthetic,
            checksums={p.name: sha256(p) for p in sorted(self._part.iterdir())},
        )
        (self._part / home.MANIFEST).write_text(manifest.text(), encoding="utf-8", newline="\n")


def _leading(
    truth: pd.DataFrame, record: NDArray[np.int64], split: NDArray[np.str_]
) -> pd.DataFrame:
    """The truth with ``record`` and ``split`` in front and the columns that are always there."""
    given = truth.drop(columns=["record", "split"], errors="ignore").reset_index(drop=True)
    return pd.concat(
        [pd.DataFrame({"record": record, "split": split.astype(object)}), given], axis=1
    )


def _settled(field: Any) -> Any:
    """Types must not hang on what the first chunk happens to hold: an empty column is text."""
    if field.name in _LISTS:
        return pa.field(field.name, _LISTS[field.name])
    if pa.types.is_null(field.type) or pa.types.is_dictionary(field.type):
        return pa.field(field.name, pa.string())
    return pa.field(field.name, field.type)
