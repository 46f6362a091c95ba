"""truth.csv of an import: checked, put in order and completed."""

import re
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from echotrial import columns
from echotrial.corpus.manifest import SPLITS
from echotrial.corpus.store import records_named
from echotrial.errors import WrongQuestion, nearest

KINDS = ("wall", "dry", "wet tip")
_MM_PER_IN = 25.4
_TEXT = {"specimen", "split", "kind"}
_LISTS = {"back_wall_us": float, "back_wall_stands": lambda word: word.lower() == "true"}


def read_truth(path: Path, n_records: int) -> pd.DataFrame:
    """Read and check a truth table; its rows come back in the order of a corpus, `prove` first.

    Parameters
    ----------
    path
        CSV with a column ``thickness_mm`` (or ``thickness_in``), empty = no wall, and where known
        ``record``, ``thickness_u_mm``, ``specimen``, ``split``, ``kind``, ``start_us`` and any
        column of `columns.TRUTH`; every other column is a stratum.
    n_records
        Rows of the waveform file.

    Returns
    -------
    DataFrame
        Index = row of the waveform file; columns ``split``, ``specimen``, ``thickness_mm``,
        ``thickness_u_mm``, ``kind``, then the rest.

    Raises
    ------
    WrongQuestion
        Names the file, the column, the records, the rule and the fix.
    """
    table = _in_mm(_read(path), path)
    if len(table) != n_records:
        raise WrongQuestion(
            f"{path}: {len(table)} rows of truth for {n_records} waveforms; "
            "both have one row a record"
        )
    table = _by_record(table, path)
    for name in table.columns:
        if name in _LISTS:
            table[name] = [_listed(v, _LISTS[name]) for v in table[name]]
        elif (name in columns.TRUTH and name not in _TEXT) or name == "start_us":
            table[name] = _numbers(table[name], path)
    _possible(table, path)
    table = _completed(table, path)
    _one_split_a_specimen(table, path)
    return table.sort_values("split", key=lambda s: s.map(SPLITS.index), kind="stable")


def _read(path: Path) -> pd.DataFrame:
    if not path.is_file():
        raise WrongQuestion(f"{path}: no such file")
    text = dict.fromkeys(_TEXT, str)
    try:
        table = pd.read_csv(path, dtype=text, comment="#", skipinitialspace=True)
    except (ValueError, UnicodeDecodeError) as error:  # pandas' parser errors are ValueErrors
        raise WrongQuestion(f"{path}: cannot be read as CSV ({error})") from None
    table.columns = table.columns.str.strip()
    twice = [c for c in table.columns if re.sub(r"\.\d+$", "", c) in table.columns.drop(c)]
    if twice:  # pandas has named the second one `name.1`
        raise WrongQuestion(f"{path}: column '{twice[0].rpartition('.')[0]}' is there twice")
    return table


def _in_mm(table: pd.DataFrame, path: Path) -> pd.DataFrame:
    """Inch columns become millimetre columns; a thickness has to be there, with its unit."""
    for stem in ("thickness", "thickness_u"):
        if f"{stem}_in" in table:
            inches = _numbers(table.pop(f"{stem}_in"), path)
            if f"{stem}_mm" in table:
                raise WrongQuestion(f"{path}: {stem}_mm and {stem}_in: keep one of them")
            table[f"{stem}_mm"] = inches * _MM_PER_IN
        if stem in table:
            raise WrongQuestion(
                f"{path}: column '{stem}' has no unit: name it {stem}_mm or {stem}_in"
            )
    if "thickness_mm" not in table:
        close = nearest("thickness_mm", table.columns)
        raise WrongQuestion(
            f"{path}: no column thickness_mm (or thickness_in), which is required; {close}"
        )
    return table


def _by_record(table: pd.DataFrame, path: Path) -> pd.DataFrame:
    """Rows in the order of the waveforms, whatever their order in the file."""
    if "record" not in table:
        return table
    record = _numbers(table.pop("record"), path)
    if sorted(record) != list(range(len(table))):
        wrong = sorted(set(range(len(table))) - set(record))
        raise WrongQuestion(
            f"{path}: column record has to hold every number from 0 to {len(table) - 1} once; "
            f"missing: {records_named(wrong)}"
        )
    return table.set_index(record.astype(int)).sort_index()


def _numbers(column: "pd.Series[Any]", path: Path) -> "pd.Series[float]":
    found = pd.to_numeric(column, errors="coerce").astype(float)
    wrong = np.flatnonzero((found.isna() & column.notna()) | np.isinf(found))
    if wrong.size:
        raise WrongQuestion(
            f"{path}: column {column.name}, row {wrong[0]}: {column.iloc[wrong[0]]!r} is no finite "
            "number; the unit stands in the column's name, an empty field means not known"
        )
    return found


def _listed(value: Any, kind: Any) -> list[Any]:
    if isinstance(value, str):
        return [kind(word) for word in value.replace(";", " ").split()]
    return [] if pd.isna(value) else [kind(str(value))]


def _possible(table: pd.DataFrame, path: Path) -> None:
    rules = {"thickness_mm": "positive, or empty where there is no wall"}
    negative = table["thickness_mm"] <= 0
    if negative.any():
        value = table["thickness_mm"][negative].iloc[0]
        raise WrongQuestion(
            f"{path}: thickness of {value:g} mm in {records_named(table.index[negative])}: "
            f"a thickness is {rules['thickness_mm']}"
        )
    if "thickness_u_mm" in table and (table["thickness_u_mm"] < 0).any():
        bad = table.index[table["thickness_u_mm"] < 0]
        raise WrongQuestion(f"{path}: negative thickness_u_mm in {records_named(bad)}")
    for name, valid in (("split", SPLITS), ("kind", KINDS)):
        wrong = [] if name not in table else sorted(set(table[name].dropna()) - set(valid))
        if wrong:
            raise WrongQuestion(f"{path}: {name} '{wrong[0]}': {nearest(wrong[0], valid)}")


def _completed(table: pd.DataFrame, path: Path) -> pd.DataFrame:
    """Fill in what may be left out: split, specimen, uncertainty (NaN = not known) and kind."""
    has_wall = table["thickness_mm"].notna()
    given = table.get("kind", pd.Series(None, index=table.index, dtype=object))
    kind = given.fillna(pd.Series(np.where(has_wall, "wall", "dry"), index=table.index))
    wrong = table.index[has_wall != (kind == "wall")]
    if len(wrong):
        raise WrongQuestion(
            f"{path}: kind '{kind[wrong[0]]}' contradicts the thickness in {records_named(wrong)}; "
            "a dry or wet tip has no thickness, a wall has one"
        )
    split = table.get("split", pd.Series("prove", index=table.index)).fillna("prove")
    named = table.get("specimen", pd.Series(None, index=table.index, dtype=object))
    sizes = table["thickness_mm"].map("{:g} mm".format).where(has_wall, kind + " " + split)
    first = {
        "split": split.astype(object),
        "specimen": named.fillna(sizes).astype(object),
        "thickness_mm": table["thickness_mm"].astype(float),
        "thickness_u_mm": table.get("thickness_u_mm", pd.Series(np.nan, index=table.index)),
        "kind": kind.astype(object),
    }
    rest = table.drop(columns=[c for c in first if c in table])
    return pd.concat([pd.DataFrame(first), rest], axis=1)


def _one_split_a_specimen(table: pd.DataFrame, path: Path) -> None:
    walls = table[table["thickness_mm"].notna()]
    splits = walls.groupby("specimen")["split"].nunique()
    if (splits > 1).any():
        raise WrongQuestion(
            f"{path}: specimen '{splits.idxmax()}' is in both splits; what was tuned on a piece "
            "cannot be proven on the same piece"
        )
