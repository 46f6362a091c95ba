"""New recordings for a method: read, and refused where they were not made as the method says."""

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import Field

from echotrial.ascan import Batch
from echotrial.choose.method import Method
from echotrial.corpus import formats
from echotrial.corpus.sheet import own_full_scale, with_interface_echo
from echotrial.corpus.store import Corpus
from echotrial.errors import WrongQuestion
from echotrial.quantities import Frequency, Time
from echotrial.setup import Positive, Setup, Waveform, read_setup
from echotrial.strict import Strict, read_toml

#: Sampling rates that differ by less are the same.
SAME_RATE: Final = 1e-6
#: Set-ups may differ by this share in what the method rests on.
SAME_PROBE: Final = 0.05
_COMPARED: Final = {"centre_frequency": "MHz", "bandwidth": "MHz", "outside_diameter": "mm"}


class TraceSheet(Strict):
    """What says how waveforms were recorded; a sheet for `corpus import` will do."""

    waveforms: str
    variable: str | None = None
    dataset: str | None = None
    sample_rate: Annotated[Frequency, Positive]
    first_sample: Time = 0.0
    full_scale: Annotated[float, Field(gt=0)] | None = None
    setup: dict[str, Any] = Field(default_factory=dict)
    name: str = "traces"
    truth: str = ""
    origin: str = ""
    about: str = ""
    licence: str = ""
    source: str = ""
    citation: str = ""
    suspect: str = ""


@dataclass(frozen=True, eq=False)
class Traces:
    """Recordings as the engine takes them; nobody knows their truth."""

    name: str
    samples: NDArray[np.float32]
    rate_hz: float
    start_s: NDArray[np.float64]
    setup: Setup

    def __len__(self) -> int:
        return int(self.samples.shape[0])

    @property
    def truth(self) -> pd.DataFrame:
        """Record numbers, all of one split."""
        return pd.DataFrame({"record": np.arange(len(self)), "split": "prove"})

    def rows(self, split: str) -> slice:
        """Everything is `prove`."""
        return slice(0, len(self) if split == "prove" else 0)

    def batch(self, start: int, stop: int) -> Batch:
        """Some of the records."""
        rows = slice(start, stop)
        return Batch.of(self.samples[rows], self.rate_hz, self.start_s[rows], self.setup)


def read_traces(
    what: Path, method: Method, rate_hz: float | None = None, first_sample_s: float | None = None
) -> Traces:
    """Read a corpus folder, a sheet (TOML) or a bare waveform file, and check it.

    Parameters
    ----------
    rate_hz, first_sample_s
        Of a bare waveform file, which does not say.

    Raises
    ------
    WrongQuestion
        Sampling or set-up disagree with the method's.
    """
    if what.is_dir():
        found = _of_corpus(Corpus.open(what), method)
    elif what.suffix.lower() == ".toml":
        found = _of_sheet(what, method)
    else:
        found = _of_file(what, method, rate_hz, first_sample_s)
    _agrees(found, method, what)
    return found


def _of_corpus(corpus: Corpus, method: Method) -> Traces:
    batch = corpus.batch(0, len(corpus))
    setup = _setup(corpus.setup, method)
    return Traces(corpus.name, batch.samples, corpus.rate_hz, batch.start_s, setup)


def _of_sheet(path: Path, method: Method) -> Traces:
    sheet = TraceSheet.read(read_toml(path), str(path))
    samples = formats.read_waveforms(path.parent / sheet.waveforms, sheet.variable or sheet.dataset)
    scale = sheet.full_scale or own_full_scale(samples, path)
    setup = method.calibrated
    if sheet.setup:

        def echo(name: str, start_s: float | None) -> Waveform:
            wave = formats.read_waveforms(path.parent / name).ravel() / scale
            start = sheet.first_sample if start_s is None else start_s
            return Waveform(wave.astype(np.float32), sheet.sample_rate, start)

        given = with_interface_echo(read_setup(sheet.setup, f"{path}: setup", echo))
        setup = _setup(given, method)
    return _made(sheet.name, samples, scale, sheet.sample_rate, sheet.first_sample, setup)


def _of_file(
    path: Path, method: Method, rate_hz: float | None, first_sample_s: float | None
) -> Traces:
    if rate_hz is None:
        raise WrongQuestion(
            f"{path}: a waveform file does not say its sampling rate: give --sample-rate (the "
            f"method has {method.rate_hz / 1e6:g} MHz), or a sheet"
        )
    samples = formats.read_waveforms(path)
    scale = own_full_scale(samples, path)
    first = first_sample_s
    if first is None and method.setup.reference_echo is not None:
        first = method.setup.reference_echo.start_s
    return _made(path.stem, samples, scale, rate_hz, first or 0.0, method.calibrated)


def _made(
    name: str, samples: NDArray[Any], scale: float, rate_hz: float, first_s: float, setup: Setup
) -> Traces:
    scaled = np.ascontiguousarray(samples, dtype=np.float32) / np.float32(scale)
    return Traces(name, scaled, rate_hz, np.full(len(scaled), first_s), setup)


def _setup(own: Setup, method: Method) -> Setup:
    """The method's set-up on the recordings' clock, with their reference echo if they have one."""
    update: dict[str, Any] = {}
    if own.interface_echo is not None:
        update["interface_echo"] = own.interface_echo
    if own.reference_echo is not None or own.interface_echo is not None:
        update["reference_echo"] = own.reference_echo
    for name in _COMPARED:
        _same(name, getattr(own, name), getattr(method.setup, name), method)
    if own.mode is not None and own.mode != method.mode:
        raise WrongQuestion(
            f"the recordings' set-up says mode {own.mode}, the method {method.name} was proven in "
            f"mode {method.mode}: record and measure as the method says"
        )
    return method.calibrated.model_copy(update=update)


def _same(name: str, own: float | None, wanted: float | None, method: Method) -> None:
    if own is None or wanted is None or abs(own - wanted) <= SAME_PROBE * wanted:
        return
    scale = {"MHz": 1e6, "mm": 1e-3}[_COMPARED[name]]
    raise WrongQuestion(
        f"{name} of the recordings is {own / scale:g} {_COMPARED[name]}, the method {method.name} "
        f"was proven with {wanted / scale:g}: its evidence does not hold; choose for this set-up"
    )


def _agrees(found: Traces, method: Method, what: Path) -> None:
    if abs(found.rate_hz / method.rate_hz - 1) > SAME_RATE:
        raise WrongQuestion(
            f"{what}: sampled at {found.rate_hz / 1e6:g} MHz, the method {method.name} was proven "
            f"at {method.rate_hz / 1e6:g} MHz: record at that rate, or choose again with "
            "sample_rate in the set-up"
        )
    if not np.isfinite(found.samples).all():
        raise WrongQuestion(f"{what}: samples that are NaN or infinite: leave these records out")
