"""readings.parquet and records.parquet, written block by block while a trial goes on."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from echotrial.corpus.store import Corpus
from echotrial.trial.folder import READINGS, RECORDS
from echotrial.trial.staged import Staged


class Tables(Staged):
    """Both tables of a trial."""

    names, called = (READINGS, RECORDS), "tables"

    def __init__(self, folder: Path, stage: Path, corpora: Sequence[Corpus]) -> None:
        super().__init__(folder, stage)
        self._several = len(corpora) > 1
        truth = _united([corpus.truth_rows(0, 0).schema for corpus in corpora])
        self._truth = truth.insert(0, pa.field("corpus", pa.string()))
        self._readings: pq.ParquetWriter | None = None
        self._records: pq.ParquetWriter | None = None

    def add(
        self, corpus: str, readings: pd.DataFrame, truth: pa.Table
    ) -> tuple[pa.Table, pa.Table]:
        """Write scored readings and the truth of their records; give both as they were written.

        Raises
        ------
        NotToBeHad
            The disk is full.
        """
        if self._several:  # each block has its own single category, which would not unite
            readings = readings.assign(corpus=readings["corpus"].astype(str))
        rows = pa.Table.from_pandas(readings, preserve_index=False, nthreads=1)
        columns = [
            _cast(truth[field.name], field.type)
            if field.name in truth.column_names
            else pa.nulls(len(truth), field.type)
            for field in list(self._truth)[1:]
        ]
        name = pa.array([corpus] * len(truth), pa.string())
        records = pa.table([name, *columns], schema=self._truth)
        try:
            if self._readings is None or self._records is None:
                self._readings = self._writer(READINGS, rows.schema)
                self._records = self._writer(RECORDS, self._truth)
            self._readings.write_table(rows)
            self._records.write_table(records)
        except OSError as error:
            raise self._not_written(error) from None
        return rows, records

    def _writer(self, name: str, schema: Any) -> pq.ParquetWriter:
        # Measured numbers are hardly ever twice the same: dictionaries of them cost half as much
        # time again, and over the shipped corpora room too.
        words = [field.name for field in schema if not pa.types.is_primitive(field.type)]
        return self._open.enter_context(
            pq.ParquetWriter(self._stage / name, schema, use_dictionary=words)
        )


def _united(schemas: Sequence[Any]) -> Any:
    """A schema with the columns of all; one whose types do not go together is text."""
    fields = {name: None for schema in schemas for name in schema.names}
    found = []
    for name in fields:
        own = [pa.schema([s.field(name)]) for s in schemas if name in s.names]
        try:
            found.append(pa.unify_schemas(own, promote_options="permissive").field(name))
        except pa.ArrowException:
            found.append(pa.field(name, pa.string()))
    return pa.schema([field.remove_metadata() for field in found])


def _cast(values: Any, kind: Any) -> Any:
    """The values as another type; lists, which have no text of Arrow's, by Python's."""
    if pa.types.is_string(kind) and pa.types.is_nested(values.type):
        return pa.array([None if v is None else str(v) for v in values.to_pylist()], kind)
    return values.cast(kind)
