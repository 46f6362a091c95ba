"""One record: its A-scan, its truth, what each detector said of it, and why that is its outcome."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from echotrial.corpus.address import opened
from echotrial.corpus.store import Corpus
from echotrial.errors import EchotrialError, WrongQuestion, nearest
from echotrial.outcome import MarkOffsets
from echotrial.report.compact import setup_of
from echotrial.report.reason import why
from echotrial.setup import Setup, Waveform
from echotrial.trial.folder import Trial


@dataclass(frozen=True, eq=False)
class Echo:
    """A true echo: order 0 is the interface echo; `stands` = above the tail and the noise."""

    order: int
    at_us: float
    stands: bool = True

    @property
    def name(self) -> str:
        """Its name in words."""
        return f"back-wall echo {self.order}" if self.order else "interface echo"


@dataclass(frozen=True, eq=False)
class Reading:
    """A row of readings.parquet and the reason for its outcome in words."""

    row: Mapping[str, Any]
    why: str

    def __getattr__(self, name: str) -> Any:
        """Columns of the row."""
        try:
            return self.row[name]
        except KeyError:
            raise AttributeError(name) from None


@dataclass(frozen=True, eq=False)
class Record:
    """A record as it is shown.

    Attributes
    ----------
    truth
        Its row of records.parquet; what is not known is left out.
    echoes
        By the truth where `stated`, else where the stated wall puts them at the set-up's velocity.
    wave
        The A-scan, None = `missing` says why.
    """

    corpus: str
    number: int
    setup: Setup
    truth: Mapping[str, Any]
    echoes: tuple[Echo, ...]
    stated: bool
    readings: tuple[Reading, ...]
    wave: Waveform | None
    missing: str = ""

    @property
    def tail_end_us(self) -> float:
        """Where the tail of the interface echo ends, NaN = not known."""
        return float(self.truth.get("tail_end_us", np.nan))

    @property
    def title(self) -> str:
        """What it is, in a line."""
        return f"{self.corpus}, record {self.number}: {wall_words(self.truth, self.setup)}"

    def _repr_html_(self) -> str:
        """What a notebook shows."""
        from echotrial.report.facts import as_html

        return as_html(self)

    @cached_property
    def window_us(self) -> tuple[float, float] | None:
        """From before the interface echo to after all echoes that matter and all marks."""
        marks = [m for r in self.readings for m in (r.first_echo_us, r.second_echo_us)]
        echoes = [e.at_us for e in self.echoes if e.order <= 6]
        at = [t for t in (*marks, *echoes, self.tail_end_us) if np.isfinite(t)]
        if not at:
            return None
        pulse = 1e6 / self.setup.bandwidth_hz
        return min(at) - 4 * pulse, max(at) + 6 * pulse


def wall_words(truth: Mapping[str, Any], setup: Setup) -> str:
    """The wall in millimetres or inches, in wavelengths, and whether the range covers it."""
    wall = float(truth.get("thickness_mm", np.nan)) / 1e3
    if np.isnan(wall):
        return str(truth.get("kind", "no wall"))
    low, high = setup.wall_range
    waves = float(truth.get("wall_wavelengths", wall / setup.wavelength_m))
    found = f"{length(wall * 1e3, setup)} = {waves:.3g} wavelengths"
    return found if low - 1e-12 <= wall <= high + 1e-12 else f"{found}, outside the range"


def length(mm: float, setup: Setup) -> str:
    """A length in the unit of the set-up."""
    return f"{mm / 25.4:.5f} in" if setup.length_unit == "in" else f"{mm:.4f} mm"


class Records:
    """Looks records of one corpus of a trial up.

    Parameters
    ----------
    trial
        Opened.
    corpus
        Name of the corpus.

    Attributes
    ----------
    missing
        Why there are no waveforms; empty = there are.
    """

    def __init__(self, trial: Trial, corpus: str) -> None:
        names = [c["name"] for c in trial.info["corpora"]]
        if corpus not in names:
            raise WrongQuestion(f"corpus '{corpus}': {nearest(corpus, names)}")
        self.name = corpus
        self.info = next(c for c in trial.info["corpora"] if c["name"] == corpus)
        self.setup = setup_of(self.info)
        self.offsets = {
            o["detector"]: MarkOffsets(o["first_s"], o["second_s"], o["n_hits"])
            for o in trial.info["mark_offsets"]
            if o["corpus"] == corpus
        }
        records = trial.records
        self._truth = records[records["corpus"] == corpus]
        readings = trial.readings
        self._readings = readings[readings["corpus"] == corpus]
        self.corpus, self.missing = _waveforms_of(self.info)

    def __getitem__(self, number: int) -> Record:
        """The record.

        Raises
        ------
        WrongQuestion
            The trial did not read it.
        """
        (found,) = self.several([number])
        return found

    def several(self, numbers: Sequence[int]) -> list[Record]:
        """Records in the order asked for; rows of all are looked up at once.

        Raises
        ------
        WrongQuestion
            The trial did not read one of them.
        """
        known = self._truth["record"]
        truths = {row["record"]: row for row in _rows_of(self._truth[known.isin(numbers)])}
        readings: dict[int, list[dict[str, Any]]] = {}
        for row in _rows_of(self._readings[self._readings["record"].isin(numbers)]):
            readings.setdefault(row["record"], []).append(row)
        for number in numbers:
            if number not in truths:
                raise WrongQuestion(
                    f"record {number}: this trial read {len(known)} records of {self.name}, "
                    f"{known.min()} to {known.max()}"
                    if len(known)
                    else f"record {number}: this trial read no record of {self.name}"
                )
        return [self._record(n, truths[n], readings.get(n, [])) for n in numbers]

    def _record(
        self, number: int, row: Mapping[str, Any], rows: Sequence[Mapping[str, Any]]
    ) -> Record:
        truth = {k: v for k, v in row.items() if k != "record" and _known(v)}
        echoes, stated = self._echoes(truth)
        readings = tuple(self._reading(row, truth, echoes if stated else ()) for row in rows)
        return Record(
            self.name, number, self.setup, truth, echoes, stated, readings,
            self._wave(number), self.missing,
        )  # fmt: skip

    def _reading(
        self, row: Mapping[str, Any], truth: Mapping[str, Any], echoes: tuple[Echo, ...]
    ) -> Reading:
        offsets = self.offsets.get(row["detector"], MarkOffsets())
        standing = [(e.name, e.at_us) for e in echoes if e.stands]
        return Reading(row, why(row, truth, standing, offsets, self.setup))

    def _wave(self, number: int) -> Waveform | None:
        if self.corpus is None:
            return None
        batch = self.corpus.batch(number, number + 1)
        return Waveform(batch.samples[0], batch.rate_hz, float(batch.start_s[0]))

    def _echoes(self, truth: Mapping[str, Any]) -> tuple[tuple[Echo, ...], bool]:
        """True echoes, or those that the stated wall makes at the set-up's velocity."""
        interface = truth.get("interface_us")
        times = np.atleast_1d(truth.get("back_wall_us", []))
        if interface is not None and (times.size or "thickness_mm" not in truth):
            stands = np.atleast_1d(truth.get("back_wall_stands", np.ones(times.size, bool)))
            pairs = enumerate(zip(times, stands, strict=True), start=1)
            back = (Echo(k, float(t), bool(s)) for k, (t, s) in pairs)
            return (Echo(0, float(interface)), *back), True
        nominal = 0.0 if self.setup.mode == 1 else self.setup.interface_echo
        at = interface if interface is not None else None if nominal is None else nominal * 1e6
        if at is None:
            return (), False
        wall_mm = truth.get("thickness_mm")
        orders = () if wall_mm is None else range(1, 9)
        trip = 0.0 if wall_mm is None else float(self.setup.interval_s(wall_mm / 1e3)) * 1e6
        expected = tuple(Echo(k, float(at) + k * trip) for k in orders)
        return (Echo(0, float(at)), *expected), False


def _rows_of(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as mappings, made column by column: one by one each costs some milliseconds."""
    columns = [table[name].tolist() for name in table]
    names = [str(name) for name in table]
    return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]


def _known(value: Any) -> bool:
    """Whether a cell of the truth says anything."""
    if isinstance(value, np.ndarray | list):
        return len(value) > 0
    return value is not None and not pd.isna(value) and value != ""


def _waveforms_of(info: Mapping[str, Any]) -> tuple[Corpus | None, str]:
    """The corpus a trial ran on, if it is still there and still the same."""
    try:
        corpus = opened(info["folder"])
    except EchotrialError:
        return None, f"waveforms are missing: no corpus at {info['folder']} any more"
    if corpus.identity != info["identity"]:
        return None, f"waveforms are missing: at {info['folder']} lies another corpus now"
    return corpus, ""
