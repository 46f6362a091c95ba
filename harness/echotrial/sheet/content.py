"""What stands on a method sheet: taken from the method and the trial that it rests on."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd

from echotrial import quantities
from echotrial.choose.budget import Budget
from echotrial.choose.method import Method
from echotrial.choose.variation import SET_WITHIN
from echotrial.corpus.store import Corpus
from echotrial.outcome import FALSE_LOCKS
from echotrial.setup import Setup
from echotrial.sheet.ascan import Mark, drawing
from echotrial.trial import Trial

#: Failures that an operator may meet, worst first.
FAILURES: Final = (
    "false lock", "thick false lock", "echo skip", "cycle skip", "ambiguous", "tail lock", "stray",
    "dropout", "off", "phantom, dry", "phantom, wet tip",
)  # fmt: skip
#: Phantoms are of records without a wall: their stratum and bin.
NO_WALL: Final = {
    "phantom, dry": ("no wall", "dry"), "phantom, wet tip": ("no wall", "wet tip"),
}  # fmt: skip
#: Failures that stand on the sheet even where none was seen.
ALWAYS: Final = ("false lock", "thick false lock", "dropout", *NO_WALL)
#: Evidence key -> word, and how much of it is printed.
DIGESTS: Final = {
    "started": ("trial begun", 19), "corpus": ("corpus, identity", 16),
    "trial": ("trial, sha256", 16), "setup_digest": ("set-up, sha256", 16),
}  # fmt: skip
#: Right readings that go by other echoes than the mode says are told of from this share on.
RARE: Final = 0.02
APPROACH: Final = {
    1: "Mode 1: from time zero to the first back-wall echo, less the zero offset.",
    2: "Mode 2: from the interface echo to the first back-wall echo.",
    3: "Mode 3: between back-wall echoes that follow each other; the interface echo is not used "
    "and a zero offset cancels.",
}
LOOKS: Final = {
    1: "one clear back-wall echo behind the transmission pulse; multiples, where they stand, at "
    "the same spacing",
    2: "the interface echo at its place, one clear back-wall echo behind it; multiples, where they "
    "stand, at the same spacing",
    3: "evenly spaced back-wall echoes that fade steadily",
}
WRONG: Final = {
    "echo skip": "an echo was passed over: the reading is a multiple or a simple fraction",
    "cycle skip": "the neighbouring half-cycle was taken for the right one",
    "tail lock": "the tail of the interface echo was taken for a back-wall echo",
    "ambiguous": "an echo or a half-cycle was passed over; on this wall they look alike",
    "stray": "something else was taken for an echo",
    "phantom": "a thickness was read where there is no wall",
}


@dataclass(frozen=True)
class Picture:
    """A drawing with what is to be seen on it."""

    svg: str
    caption: str


class Content:
    """Everything the template asks for, in the unit that the user wrote."""

    def __init__(self, method: Method, trial: Trial, corpus: Corpus) -> None:
        self.method, self.trial, self.corpus = method, trial, corpus
        rows = trial.readings
        proven = (rows["corpus"] == corpus.name) & (rows["split"] == "prove")
        truth = corpus.truth.rename(columns={"thickness_mm": "true_mm"}).drop(columns="split")
        self.everyone = rows[proven].merge(truth, on="record")
        self.rows = self.everyone[self.everyone["detector"] == method.detector]

    def length(self, metres: float, digits: int = 3) -> str:
        """A length in the user's unit."""
        if not np.isfinite(metres):
            return "not reached"
        unit = self.method.setup.length_unit
        return f"{quantities.convert(float(metres), 'length', unit):.{digits}g} {unit}"

    @property
    def small_unit(self) -> str:
        """The unit of uncertainties."""
        return "um" if self.method.setup.length_unit == "mm" else "0.001 in"

    def small(self, metres: float) -> str:
        """An uncertainty in `small_unit`."""
        if self.method.setup.length_unit == "mm":
            return f"{1e6 * metres:.2f}"
        return f"{metres / 25.4e-6:.3f}"

    @property
    def chosen(self) -> str:
        """Detector and verdict in a sentence."""
        said = str(self.method.evidence.get("sentence", "")).partition(": trust ")[2]
        return f"Detector {said[:1]}{said[1:]}" if said else f"Detector {self.method.detector}."

    @property
    def setup(self) -> list[tuple[str, str]]:
        """The set-up, row by row."""
        s = self.method.calibrated
        media = [(n.replace("_", " "), getattr(s, n)) for n in ("delay_line", "couplant", "wall")]
        low, high = (self.length(w) for w in s.wall_range)
        part = self.length(s.outside_diameter) if s.outside_diameter else None
        return [
            ("walls", f"{low} to {high}"),
            ("part", f"tube, {part} outside diameter" if part else "as in the set-up file"),
            ("probe", f"{s.centre_frequency / 1e6:g} MHz, -6 dB bandwidth "
                      f"{s.bandwidth_hz / 1e6:g} MHz"),
            ("element", self.length(s.element_diameter) if s.element_diameter else "not stated"),
            *((n, self._medium(m)) for n, m in media if m is not None),
            ("velocity", f"{s.velocity:.1f} m/s, u {s.velocity_uncertainty:.2g} m/s piece to "
                         "piece"),
            ("zero offset", self._zero_offset()),
            ("sampling", f"{self.method.rate_hz / 1e6:g} MHz"),
            ("tolerance", f"{100 * s.tolerance.relative:.3g} % of the wall, at least "
                          f"{self.length(s.tolerance.absolute)}"),
        ]  # fmt: skip

    @property
    def approach(self) -> list[str]:
        """What the operator does, sentence by sentence."""
        return [APPROACH[self.method.mode], self._gate(), self._polarity(), self._gain(),
                self._looks()]  # fmt: skip

    def _zero_offset(self) -> str:
        if self.method.mode == 3:
            return "cancels in mode 3"
        if self.method.calibration is None:
            return "to be calibrated"
        return f"{self.method.calibration.zero_offset * 1e9:.2f} ns"

    def _medium(self, medium: Any) -> str:
        parts = [medium.material or "given by numbers"]
        if medium.length:
            parts.append(f"{self.length(medium.length)} long")
        if medium.impedance:
            parts.append(f"{medium.impedance / 1e6:.3g} MRayl")
        return ", ".join(parts)

    def _gate(self) -> str:
        origin = self.rows["interface_us"]
        if origin.isna().all():  # contact: time counts from the transmission pulse
            start = self.rows["gate_start_us"].median()
            return f"Gate: starts {start:.3f} us after the transmission pulse."
        start, tail = ((self.rows[n] - origin).median() for n in ("gate_start_us", "tail_end_us"))
        if not np.isfinite(start):
            return "Gate: set by the detector; the interface echo's tail is left out by it."
        ends = f"the tail ends {tail:.3f} us after the interface echo"
        if start < 0:
            return (
                f"Gate: starts {-start:.3f} us before the interface echo, because the detector "
                f"takes that echo and its tail in ({ends})."
            )
        why = "after the tail has died away" if start >= tail - 0.01 else "inside the tail"
        return f"Gate: starts {start:.3f} us after the interface echo, {why} ({ends})."

    def _polarity(self) -> str:
        sign = self.method.setup.interface_polarity
        words = {
            -1: "interface echo negative, back-wall echoes all positive",
            0: "not known from the set-up: note it on the reference block",
            1: "interface echo positive, back-wall echoes positive and negative in turn",
        }
        return f"Polarity, against the echo of the bare delay line: {words[sign]}."

    def _gain(self) -> str:
        height = self.method.screen_height
        low, high = (100 * height * (1 + s * SET_WITHIN) for s in (-1, 1))
        tried = f"(records of {low:.0f} to {high:.0f} % were proven)"
        if height <= 1:
            return (
                f"Gain: set it so that the highest echo stands at {100 * height:.0f} % of full "
                f"screen height {tried}; never let it clip."
            )
        return (
            f"Gain: set it so that the highest echo stands at {50 * height:.0f} % of full screen "
            f"height, then add {20 * np.log10(2):.0f} dB: it would stand at {100 * height:.0f} % "
            f"{tried}, and clips."
        )

    def _looks(self) -> str:
        return (
            f"The A-scan has to look like the first picture: {LOOKS[self.method.mode]}. If it does "
            "not, wipe, couple again, and do not note a reading." + self._otherwise
        )

    @property
    def _otherwise(self) -> str:
        """How often a right reading went by other echoes than the mode says, where it matters."""
        hits = self.rows[self.rows["outcome"].astype(str) == "hit"]
        if not len(hits):
            return ""
        other = 1 - len(in_mode(hits, self.method.mode, self.method.setup)) / len(hits)
        if other < RARE:
            return ""
        words = "later multiples" if self.method.mode == 2 else "the interface echo"
        return f" {other:.0%} of the right readings went by {words} instead: look at both marks."

    @property
    def pictures(self) -> list[Picture]:
        """A right reading, and the likeliest wrong one: another finalist's where it made none."""
        hit = _typical(in_mode(self.rows, self.method.mode, self.method.setup), "hit")
        hit = _typical(self.rows, "hit") if hit is None else hit
        found = [] if hit is None else [self._picture(hit, "Right: marks on the right echoes")]
        rows, kind = self.rows, self.likeliest
        if not kind:
            rows, kind = self._inside(self.everyone), _commonest(self._inside(self.everyone))
        if not kind:
            rows, kind = self.everyone, _commonest(self.everyone)
        wrong = _typical(rows, kind) if kind else None
        if wrong is not None:
            who = "" if wrong["detector"] == self.method.detector else f" by {wrong['detector']}"
            found.append(self._picture(wrong, f"Wrong ({kind}{who}): {WRONG[kind]}"))
        return found

    @property
    def likeliest(self) -> str:
        """The commonest false lock; empty where there was none."""
        return _commonest(self.rows)

    def _inside(self, rows: pd.DataFrame) -> pd.DataFrame:
        low, high = (1e3 * w for w in self.method.setup.wall_range)
        return rows[rows["true_mm"].between(low - 1e-9, high + 1e-9)]

    def _picture(self, row: Any, words: str) -> Picture:
        record = int(row["record"])
        batch = self.corpus.batch(record, record + 1)
        time = batch.start_s[0] + np.arange(batch.samples.shape[1]) / batch.rate_hz
        names = {"interface_us": "interface", "first_echo_us": "mark 1",
                 "second_echo_us": "mark 2"}  # fmt: skip
        marks = [
            Mark(row[n] * 1e-6, word, dashed=n == "interface_us")
            for n, word in names.items()
            if np.isfinite(row[n])
        ]
        read_s = float(self.method.setup.interval_s(row["thickness_mm"] * 1e-3))
        if not np.isfinite(row["second_echo_us"]) and np.isfinite(row["interface_us"]):
            marks.append(Mark(row["interface_us"] * 1e-6 + read_s, "as read"))
        times = [m.time_s for m in marks]
        shown = slice(0, None)
        if times:  # a little before the first mark, and about an echo after the last
            trip = read_s if np.isfinite(read_s) else 0.0
            first = min(times) - max(0.2e-6, 0.3 * trip)
            last = max(times) + max(0.8e-6, 1.2 * trip)
            shown = slice(*np.searchsorted(time, (first, last)))
        wall = self.length(row["true_mm"] * 1e-3) if np.isfinite(row["true_mm"]) else "no wall"
        read = self.length(row["thickness_mm"] * 1e-3)
        caption = f"{words}. Computed record {record}: true {wall}, read {read}."
        tail = row["tail_end_us"] * 1e-6 if np.isfinite(row["tail_end_us"]) else 0.0
        svg = drawing(time[shown], batch.samples[0, shown].astype(np.float64), marks, caption, tail)
        return Picture(svg, caption)

    @property
    def budgets(self) -> list[Budget]:
        """At the thin end, middle and thick end."""
        return self.method.budgets()

    @property
    def checks(self) -> list[tuple[str, str, str]]:
        """Reference sample, what it may read, why."""
        names = ("thin end", "middle", "thick end")
        if self.method.calibration is None:
            walls = [self.length(b.thickness_m) for b in self.budgets]
            return [
                (f"{name}: {wall}", "to be set", "by calibration")
                for name, wall in zip(names, walls, strict=True)
            ]
        return [
            (
                f"{name}: {self.length(b.thickness_m)}",
                f"+- {self.length(b.expanded_m, 2)}",
                "U, k = 2",
            )
            for name, b in zip(names, self.budgets, strict=True)
        ]

    @property
    def limits(self) -> list[tuple[str, str]]:
        """How thin it may go."""
        found = []
        for measure, words in (("thin-wall limit", "hits 90 % or more down to"),
                               ("false-lock limit", "false locks below 1 % down to")):  # fmt: skip
            row = self._score(measure)
            if row is not None:
                wall = float(row["value"]) * _scale(str(row["unit"]))
                note = "" if pd.isna(row["note"]) else str(row["note"])
                if note.startswith("all "):
                    said = "the whole range passes; thinner walls were not asked for"
                    note = said if np.isfinite(wall) else note
                found.append((words, f"{self.length(wall)}{note and f' ({note})'}"))
        return found

    @property
    def failures(self) -> list[tuple[str, str, str, str]]:
        """Failure, rate, 95 % interval, counts; on walls inside the range, phantoms without one.

        The rates that trust limits, and dropouts, stand there even where none was seen: the
        interval says how many there may be nevertheless.
        """
        found = []
        for measure in FAILURES:
            row = self._score(measure, *NO_WALL.get(measure, ("whole", "")))
            if row is not None and (row["numerator"] > 0 or measure in ALWAYS):
                interval = f"{row['low']:.2%} to {row['high']:.2%}"
                count = f"{row['numerator']:.0f} of {row['denominator']:.0f}"
                found.append((measure, f"{row['value']:.2%}", interval, count))
        return found

    def _score(
        self, measure: str, stratum: str = "whole", which: str = ""
    ) -> Mapping[str, Any] | None:
        table = self.trial.scores
        rows = table[
            (table["corpus"] == self.corpus.name)
            & (table["detector"] == self.method.detector)
            & (table["stratum"] == stratum)
            & (table["bin"].fillna("").astype(str) == which)
            & (table["measure"] == measure.split(",")[0])
        ]
        rows = rows[rows["unit"].isin(("1", "mm", "in"))]
        return None if rows.empty else {str(k): v for k, v in rows.iloc[0].items()}

    @property
    def evidence(self) -> list[tuple[str, str]]:
        """Versions and digests."""
        m = self.method
        settings = ", ".join(f"{k} = {v}" for k, v in m.settings.items()) or "defaults"
        rows = [
            ("detector", f"{m.detector} {m.version}, source {m.source_digest[:12]}"),
            ("settings", settings),
            ("versions", ", ".join(f"{k} {m.evidence[k]}" for k in ("echotrial", "python")
                                   if k in m.evidence)),
            *((word, str(m.evidence[k])[:length]) for k, (word, length) in DIGESTS.items()
              if k in m.evidence),
        ]  # fmt: skip
        return [*rows, ("calibration", self._calibration())]

    def _calibration(self) -> str:
        c = self.method.calibration
        if c is None:
            return "none yet: calibrate on reference samples before use"
        low, high = (self.length(w, 4) for w in c.holds_m)
        return (
            f"{c.kind} on {c.samples} samples, {low} to {high}; v {c.velocity:.1f} m/s (u "
            f"{c.velocity_u:.2g}), zero offset {c.zero_offset * 1e9:.2f} ns (u "
            f"{c.zero_offset_u * 1e9:.2g}), correlation {c.correlation:+.2f}"
        )


def _commonest(rows: pd.DataFrame) -> str:
    """The commonest false lock, empty where there is none."""
    outcome = rows["outcome"].astype(str)
    counts = outcome[outcome.isin([str(o) for o in FALSE_LOCKS])].value_counts()
    return str(counts.index[0]) if len(counts) else ""


def in_mode(rows: pd.DataFrame, mode: int, setup: Setup) -> pd.DataFrame:
    """Rows whose first mark is the one of the mode: the interface echo in mode 2, later in 3."""
    lag = (rows["first_echo_us"] - rows["interface_us"]).abs().to_numpy() * 1e-6
    at_interface = lag < setup.interval_s(rows["thickness_mm"].to_numpy(np.float64) * 1e-3) / 2
    keep = {2: at_interface, 3: ~at_interface}.get(mode, np.ones(len(rows), dtype=bool))
    return rows[keep]


def _typical(rows: pd.DataFrame, outcome: str) -> Any:
    """Of the records with an outcome the one of middling wall."""
    found = rows[rows["outcome"].astype(str) == outcome].sort_values("true_mm")
    return None if found.empty else found.iloc[len(found) // 2]


def _scale(unit: str) -> float:
    return {"mm": 1e-3, "in": 0.0254}.get(unit, float("nan"))
