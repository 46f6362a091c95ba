"""The import of recordings: a sheet, its waveforms and its truth become a corpus."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import Field, model_validator
from scipy.signal import hilbert

from echotrial.corpus import formats, home
from echotrial.corpus.manifest import Counts, Description, Origin, Sampling
from echotrial.corpus.store import Corpus, CorpusWriter, records_named
from echotrial.corpus.truthtable import read_truth
from echotrial.errors import WrongQuestion
from echotrial.hooks import Material
from echotrial.quantities import Frequency, Time
from echotrial.setup import Positive, Setup, Waveform, read_setup
from echotrial.strict import read_toml

CHUNK = 4096


class Sheet(Description):
    """An import sheet: what was recorded, how, and the set-up that the operator knew.

    `waveforms` and `truth` are files beside the sheet, `full_scale` is the value of the waveforms
    that means full scale (default: 1 for floats, the largest value for signed integers).
    """

    origin: Origin = "recorded"
    waveforms: str
    variable: str | None = None
    dataset: str | None = None
    truth: str
    sample_rate: Annotated[Frequency, Positive]
    first_sample: Time = 0.0
    full_scale: Annotated[float, Field(gt=0)] | None = None
    setup: dict[str, Any]

    @model_validator(mode="after")
    def _one_name(self) -> "Sheet":
        if self.variable is not None and self.dataset is not None:
            raise ValueError("variable (of a .mat) and dataset (of a .h5): keep one of them")
        return self


@dataclass(frozen=True)
class Recording:
    """What a sheet, or a fetched file, brings: everything a corpus is made of.

    Attributes
    ----------
    samples
        (n, m) numbers as they came, one row a record in the order of `truth`.
    full_scale
        The value of `samples` that means full scale.
    start_us
        (n,) time of sample 0.
    truth
        As `read_truth` gives it.
    """

    description: Description
    setup: Setup
    rate_hz: float
    samples: NDArray[Any]
    full_scale: float
    start_us: NDArray[np.float64]
    truth: pd.DataFrame


def import_sheet(
    sheet: Path,
    out: Path | None = None,
    *,
    materials: Mapping[str, Material] | None = None,
    replace: bool = False,
) -> Corpus:
    """Make a corpus of recordings.

    Parameters
    ----------
    sheet
        TOML file that names the waveforms, the truth and the set-up.
    out
        Folder to make; None: among the user's corpora, under the sheet's name.

    Raises
    ------
    WrongQuestion
        Whatever is wrong with sheet, waveforms or truth; nothing is left behind.
    """
    recording = read_recording(sheet)
    if materials is not None:
        recording.setup.resolved(lambda name: materials[name].impedance, list(materials))
    folder = out or home.imported_folder(recording.description.name, recording.description.origin)
    return write(recording, folder, replace=replace)


def read_recording(sheet: Path) -> Recording:
    """Read and check a sheet and the files it names."""
    found = Sheet.read(read_toml(sheet), str(sheet))
    path = sheet.parent / found.waveforms
    samples = formats.read_waveforms(path, found.variable or found.dataset)
    full_scale = found.full_scale or own_full_scale(samples, path)
    _whole(samples, path)
    truth = _truth_of(sheet.parent / found.truth, samples, path)
    setup = read_setup(
        found.setup,
        f"{sheet}: setup",
        _reference_reader(sheet.parent, found.sample_rate, found.first_sample, full_scale),
    )
    if not truth.index.is_monotonic_increasing:
        truth["sheet_row"] = truth.index
    starts = truth.pop("start_us") if "start_us" in truth else pd.Series(np.nan, truth.index)
    return Recording(
        Description(**{k: getattr(found, k) for k in Description.model_fields}),
        with_interface_echo(setup),
        found.sample_rate,
        samples[truth.index.to_numpy()],
        full_scale,
        np.asarray(starts.fillna(found.first_sample * 1e6), dtype=np.float64),
        truth,
    )


def write(recording: Recording, folder: Path, *, replace: bool = False) -> Corpus:
    """Write a recording as a corpus; int16 whose full scale is 32767 stays as it is."""
    keep = recording.samples.dtype == np.int16 and recording.full_scale == 32767
    dtype: type[np.int16] | type[np.float32] = np.int16 if keep else np.float32
    n, m = recording.samples.shape
    prove = int((recording.truth["split"] == "prove").sum())
    with CorpusWriter(
        folder,
        recording.description,
        recording.setup,
        Sampling(rate=recording.rate_hz, samples=m, full_scale=recording.full_scale),
        Counts(prove=prove, tune=n - prove),
        dtype=dtype,
        replace=replace,
    ) as writer:
        for start in range(0, n, CHUNK):
            rows = slice(start, start + CHUNK)
            known = pd.DataFrame({"start_us": recording.start_us[rows]})
            samples = recording.samples[rows].astype(dtype)
            writer.append(samples, known, recording.truth.iloc[rows])
    return Corpus.open(folder)


def with_interface_echo(setup: Setup) -> Setup:
    """Where only the reference echo is given, its envelope peak is the interface echo's time."""
    if setup.interface_echo is not None or setup.reference_echo is None:
        return setup
    return setup.model_copy(update={"interface_echo": envelope_peak_s(setup.reference_echo)})


def envelope_peak_s(wave: Waveform) -> float:
    """Time of a waveform's envelope peak, by a parabola through its three highest samples."""
    envelope = np.abs(hilbert(wave.samples.astype(np.float64) - wave.samples.mean()))
    top = int(np.clip(np.argmax(envelope), 1, max(envelope.size - 2, 1)))
    if envelope.size < 3:
        return wave.start_s
    before, at, after = envelope[top - 1 : top + 2]
    bend = before - 2 * at + after
    shift = 0.0 if bend == 0 else float(np.clip(0.5 * (before - after) / bend, -1, 1))
    return wave.start_s + (top + shift) / wave.rate_hz


def own_full_scale(samples: NDArray[Any], path: Path) -> float:
    """Full scale where nobody says it: 1 for floats, the largest value for signed integers."""
    if samples.dtype.kind == "f":
        return 1.0
    if samples.dtype.kind == "i":
        return float(np.iinfo(samples.dtype).max)
    raise WrongQuestion(
        f"{path}: unsigned {samples.dtype}: take off the zero level and give full_scale"
    )


def _whole(samples: NDArray[Any], path: Path) -> None:
    if samples.size == 0:
        raise WrongQuestion(f"{path}: shape {samples.shape}: no samples, so no records")
    if samples.dtype.kind == "f":
        bad = np.flatnonzero(~np.isfinite(samples).all(axis=1))
        if bad.size:
            raise WrongQuestion(
                f"{path}: samples that are NaN or infinite in {records_named(bad)}; "
                "leave these records out of waveforms and truth"
            )


def _truth_of(truth: Path, samples: NDArray[Any], path: Path) -> pd.DataFrame:
    try:
        return read_truth(truth, len(samples))
    except WrongQuestion as error:
        n, m = samples.shape
        if "rows of truth for" in str(error) and f"{m} rows of truth" in str(error):
            raise WrongQuestion(f"{error}; {path} looks transposed: {n} rows of {m}") from None
        raise


def _reference_reader(
    folder: Path, rate_hz: float, first_sample_s: float, full_scale: float
) -> Callable[[str, float | None], Waveform]:
    """Read a sheet's reference echo, recorded by the same instrument as the records."""

    def read(name: str, start_s: float | None) -> Waveform:
        try:
            rows = formats.read_waveforms(folder / name)
            _whole(rows, folder / name)
        except WrongQuestion as error:
            raise ValueError(str(error)) from None
        if 1 not in rows.shape:
            raise ValueError(f"{folder / name}: shape {rows.shape}; one reference echo is one row")
        samples = (np.ravel(rows) / full_scale).astype(np.float32)
        samples.flags.writeable = False
        return Waveform(samples, rate_hz, first_sample_s if start_s is None else start_s)

    return read
