"""What a detector is given (Batch) and what it gives back (Readings). Never the truth."""

from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from enum import IntEnum
from functools import cached_property
from typing import Self

import numpy as np
import scipy  # its parts are loaded when they are first used; each takes a while
from numpy.typing import ArrayLike, NDArray

from echotrial.setup import Setup


class Reason(IntEnum):
    """Why a detector gave no reading."""

    READ = 0
    UNSTATED = 1
    BAD_SAMPLES = 2
    NO_INTERFACE_ECHO = 3
    NO_ECHO = 4
    NO_SECOND_ECHO = 5
    UNEVEN_SPACING = 6
    OUT_OF_RANGE = 7
    LOW_CONFIDENCE = 8
    POOR_FIT = 9
    AMBIGUOUS = 10
    DISAGREEMENT = 11
    FAULT = 12
    NOT_APPLICABLE = 13

    @property
    def words(self) -> str:
        """The reason as it stands in tables."""
        return self.name.lower().replace("_", " ")


@dataclass(frozen=True, eq=False)
class Batch:
    """A-scans of one set-up.

    Attributes
    ----------
    samples
        float32 (n, m), C-contiguous, read-only; full scale = +-1.
    rate_hz
        Sampling rate.
    start_s
        float64 (n,), time of sample 0 of each record on the set-up's clock.
    setup
        What the operator knows.
    """

    samples: NDArray[np.float32]
    rate_hz: float
    start_s: NDArray[np.float64]
    setup: Setup

    @classmethod
    def of(cls, samples: ArrayLike, rate_hz: float, start_s: ArrayLike, setup: Setup) -> Self:
        """Make a batch with the promised layout; a scalar `start_s` holds for all records."""
        owned = np.array(samples, dtype=np.float32, order="C", ndmin=2)
        starts = np.broadcast_to(np.asarray(start_s, dtype=np.float64), owned.shape[:1]).copy()
        owned.flags.writeable = starts.flags.writeable = False
        return cls(owned, float(rate_hz), starts, setup)

    def __len__(self) -> int:
        return int(self.samples.shape[0])

    def take(self, rows: slice | NDArray[np.intp]) -> "Batch":
        """The batch of some of the records, in the order given."""
        return Batch.of(self.samples[rows], self.rate_hz, self.start_s[rows], self.setup)

    @cached_property
    def n_fft(self) -> int:
        """Length of `spectrum`'s transform: the fast length at or above m (zeros are appended)."""
        return int(scipy.fft.next_fast_len(self.samples.shape[1], real=True))

    @cached_property
    def spectrum(self) -> NDArray[np.complex64]:
        """``rfft`` of every record, (n, n_fft // 2 + 1); computed once, whoever asks."""
        portions: list[NDArray[np.complex64]] | None = vars(self).pop("_portions", None)
        found: NDArray[np.complex64] = (
            scipy.fft.rfft(self.samples, n=self.n_fft, axis=1)
            if portions is None
            else np.concatenate(portions)
        )
        found.flags.writeable = False
        return found

    def spectra(self, size: int) -> Iterator[tuple[slice, NDArray[np.complex64]]]:
        """`spectrum` of so many records at a time, and which they are.

        Where nobody has asked for it before, it is made portion by portion, so that each is used
        while it is in the processor's cache, and kept as it is for the next one who asks.
        """
        whole: NDArray[np.complex64] | None = vars(self).get("spectrum")
        kept: list[NDArray[np.complex64]] | None = vars(self).get("_portions")
        if whole is None and kept and len(kept[0]) != min(size, len(self)):
            whole = self.spectrum  # made of the portions of another size
        made: list[NDArray[np.complex64]] = []
        for number, start in enumerate(range(0, len(self), size)):
            rows = slice(start, start + size)
            if whole is not None:
                portion = whole[rows]
            elif kept:
                portion = kept[number]
            else:
                portion = scipy.fft.rfft(self.samples[rows], n=self.n_fft, axis=1)
                portion.flags.writeable = False
                made.append(portion)
            yield rows, portion
        if made and "spectrum" not in vars(self):
            vars(self)["_portions"] = made

    @cached_property
    def analytic(self) -> NDArray[np.complex64]:
        """Analytic signal of every record, (n, m), as ``scipy.signal.hilbert`` of length n_fft."""
        n, m = self.samples.shape
        one_sided = np.zeros((n, self.n_fft), dtype=np.complex64)
        bins = self.spectrum.shape[1]
        one_sided[:, :bins] = 2 * self.spectrum
        one_sided[:, 0] /= 2
        if self.n_fft % 2 == 0:
            one_sided[:, bins - 1] /= 2
        found: NDArray[np.complex64] = scipy.fft.ifft(one_sided, axis=1, overwrite_x=True)[:, :m]
        found.flags.writeable = False
        return found

    @cached_property
    def known(self) -> "Known":
        """What detectors have read of this very batch, for one that combines them."""
        return Known()


def _nan(n: int) -> NDArray[np.float64]:
    return np.full(n, np.nan)


@dataclass(eq=False)
class Readings:
    """What a detector says of each record; arrays of length n, times on the records' clock.

    Attributes
    ----------
    thickness_m
        NaN = no reading.
    first_echo_s, second_echo_s
        Marks it locked on to; NaN if it has none (a cepstrum).
    spans
        Wall round trips between the marks; NaN counts as 1.
    gate_start_s, gate_end_s
        Where a mark could lie.
    confidence
        In [0, 1], or NaN where it does not say.
    reason
        A `Reason` for each record without a reading, `Reason.READ` for the others.
    """

    thickness_m: NDArray[np.float64]
    first_echo_s: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    second_echo_s: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    spans: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    gate_start_s: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    gate_end_s: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    confidence: NDArray[np.float64] = field(default_factory=lambda: np.empty(0))
    reason: NDArray[np.int8] = field(default_factory=lambda: np.empty(0, np.int8))

    def __post_init__(self) -> None:
        self.thickness_m = np.asarray(self.thickness_m, dtype=np.float64)
        n = self.thickness_m.size
        for f in fields(self)[1:-1]:
            given = getattr(self, f.name)
            absent = isinstance(given, np.ndarray) and given.size == 0
            setattr(self, f.name, _nan(n) if absent else np.asarray(given, dtype=np.float64))
        if np.size(self.reason) == 0:
            silent = np.isnan(self.thickness_m)
            self.reason = np.where(silent, Reason.UNSTATED, Reason.READ).astype(np.int8)
        self.reason = np.asarray(self.reason, dtype=np.int8)

    @classmethod
    def silent(cls, n: int, reason: Reason = Reason.UNSTATED) -> Self:
        """No reading for any of n records."""
        return cls(_nan(n), reason=np.full(n, reason, dtype=np.int8))

    def __len__(self) -> int:
        return int(self.thickness_m.size)

    @property
    def answered(self) -> NDArray[np.bool_]:
        """Which records have a reading."""
        return ~np.isnan(self.thickness_m)


class Known:
    """Readings of one batch by detector and settings: what one has read, another need not.

    A reading is a function of record, set-up, detector and settings, so it makes no difference
    which of them called. `lent_s` sums up what the readings asked for took when they were made: to
    be added to the time of whoever asked, which would else look faster than it is alone.
    """

    def __init__(self) -> None:
        self._entries: list[tuple[type, object, Readings, float]] = []
        self.lent_s = 0.0

    def add(self, detector: type, settings: object, readings: Readings, seconds: float) -> None:
        """Keep what a detector made of the whole batch, and how long that took."""
        self._entries.append((detector, settings, readings, seconds))

    def of(self, detector: type, settings: object) -> Readings | None:
        """Readings of a detector with these settings and without maps; None = not known yet."""
        for kind, chosen, readings, seconds in self._entries:
            if kind is detector and chosen == settings:
                self.lent_s += seconds
                return readings
        return None
