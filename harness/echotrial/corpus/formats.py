"""Waveform files of other programs, each to a plain numeric array with one row a record."""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from echotrial.errors import WrongQuestion, nearest

Numbers = NDArray[Any]


def read_waveforms(path: Path, variable: str | None = None) -> Numbers:
    """Read a file's waveforms.

    Parameters
    ----------
    path
        .npy, .csv, .mat (version 5 or 7.3), .h5 or .wav (each channel is a record).
    variable
        Which variable of a .mat or dataset of a .h5; None where there is just one.

    Returns
    -------
    (n, m) array
        One row a record, as the file has it: not scaled, not converted.

    Raises
    ------
    WrongQuestion
        No such file, another kind of file, no such variable, objects or text instead of numbers.
    """
    if not path.is_file():
        raise WrongQuestion(f"{path}: no such file")
    if path.suffix.lower() not in _READERS:
        known = ", ".join(_READERS)
        raise WrongQuestion(f"{path}: '{path.suffix}' is not a waveform file I can read ({known})")
    try:
        found = np.asarray(_READERS[path.suffix.lower()](path, variable))
    except WrongQuestion:
        raise
    except Exception as error:  # each library has its own errors for files it does not understand
        raise WrongQuestion(f"{path}: cannot be read as {path.suffix} ({error})") from None
    return _as_rows(found, path)


def _as_rows(found: Numbers, path: Path) -> Numbers:
    if found.dtype.kind not in "iuf":
        raise WrongQuestion(
            f"{path}: holds {found.dtype}, not numbers; waveforms are real integers or floats"
        )
    if found.ndim == 1:
        found = found[None, :]
    if found.ndim != 2:
        raise WrongQuestion(f"{path}: shape {found.shape}; waveforms have one row a record")
    return found


def _npy(path: Path, variable: str | None) -> Numbers:
    return np.asanyarray(np.load(path, mmap_mode="r", allow_pickle=False))


def _csv(path: Path, variable: str | None) -> Numbers:
    with path.open(encoding="utf-8-sig") as file:
        first = next((line for line in file if line.strip() and not line.startswith("#")), "")
    separator = next((s for s in (";", "\t", ",") if s in first), r"\s+")
    decimal = "," if separator != "," and "," in first else "."
    table = pd.read_csv(
        path, sep=separator, decimal=decimal, header=None, comment="#", encoding="utf-8-sig"
    )
    wrong = [c for c in table if table[c].dtype.kind not in "iuf"]
    if wrong:
        row, text = next((r, v) for r, v in table[wrong[0]].items() if not _is_number(v))
        raise WrongQuestion(
            f"{path}: row {row}, column {wrong[0]}: {text!r} is no number; "
            "a waveform file has numbers only, no header, one row a record"
        )
    return table.to_numpy()


def _is_number(text: Any) -> bool:
    try:
        float(text)
    except (TypeError, ValueError):
        return False
    return True


def _wav(path: Path, variable: str | None) -> Numbers:
    from scipy.io import wavfile

    _, samples = wavfile.read(path)
    if samples.dtype == np.uint8:  # 8-bit .wav is unsigned with 128 as zero
        samples = (samples.astype(np.int16) - 128).astype(np.int8)
    return np.atleast_2d(samples.T)


def _h5(path: Path, variable: str | None) -> Numbers:
    import h5py

    found: dict[str, Numbers] = {}

    def take(name: str, item: Any) -> None:
        if isinstance(item, h5py.Dataset) and item.dtype.kind in "iuf":
            found[name] = item

    with h5py.File(path, "r") as file:
        file.visititems(take)
        return np.asarray(_chosen(found, variable, path, "dataset"))


def _mat(path: Path, variable: str | None) -> Numbers:
    found = {k: v for k, v in read_mat(path).items() if isinstance(v, np.ndarray)}
    numeric = {k: v for k, v in found.items() if v.dtype.kind in "iuf"}
    return _chosen(numeric, variable, path, "variable")


def _chosen(found: Mapping[str, Numbers], variable: str | None, path: Path, key: str) -> Numbers:
    """The array of that name; without a name the only one that has two dimensions."""
    present = ", ".join(f"{k} {v.shape}" for k, v in found.items()) or "none"
    if variable is not None:
        if variable.strip("/") not in found:
            hint = nearest(variable, found) if found else "it has none"
            raise WrongQuestion(f"{path}: no {key} '{variable}': {hint} (arrays there: {present})")
        return found[variable.strip("/")]
    arrays = [v for v in found.values() if v.ndim == 2 and min(v.shape) > 0 and v.size > 1]
    if len(arrays) != 1:
        raise WrongQuestion(
            f'{path}: say which array holds the waveforms, {key} = "..."; there: {present}'
        )
    return arrays[0]


def read_mat(path: Path) -> dict[str, Any]:
    """Variables of a .mat file in MATLAB's orientation; a struct becomes a dict.

    Version 5 is read by scipy, version 7.3 (which is HDF5) by h5py.
    """
    import h5py

    if h5py.is_hdf5(path):
        with h5py.File(path, "r") as file:
            return {k: _from_hdf5(v) for k, v in file.items() if not k.startswith("#")}
    import scipy.io

    content = scipy.io.loadmat(path, simplify_cells=False)
    return {k: _from_struct(v) for k, v in content.items() if not k.startswith("__")}


def _from_hdf5(item: Any) -> Any:
    import h5py

    if isinstance(item, h5py.Group):
        return {k: _from_hdf5(v) for k, v in item.items()}
    return np.asarray(item).T  # MATLAB stores by columns, HDF5 by rows


def _from_struct(value: Any) -> Any:
    if isinstance(value, np.ndarray) and value.dtype.names and value.size == 1:
        return {name: _from_struct(value[name].item()) for name in value.dtype.names}
    return value


_READERS: dict[str, Callable[[Path, str | None], Numbers]] = {
    ".npy": _npy,
    ".csv": _csv,
    ".mat": _mat,
    ".h5": _h5,
    ".hdf5": _h5,
    ".wav": _wav,
}
