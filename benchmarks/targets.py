"""What the best detectors are meant to reach, beside what they reach: the table of targets.

``python -m benchmarks.targets`` reads the metal and polymer tubes on offer at size ``standard`` and
the recorded block, where it was fetched, and writes benchmarks/evidence/targets.md. Rates are of
`prove` records; the detector is the one that the verdict trusts, or else the one with most hits.
"""

import argparse
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from echotrial import host
from echotrial.corpus import home
from echotrial.corpus.store import Corpus
from echotrial.engine import read_corpus
from echotrial.files import write_text
from echotrial.outcome import FALSE_LOCKS
from echotrial.report.compact import setup_of
from echotrial.scores.intervals import wilson
from echotrial.scores.trend import velocity_part_um
from echotrial.trial import Trial
from scipy.special import erf

from benchmarks.all_detectors import conduct
from benchmarks.blocks import made_by

EVIDENCE = Path(__file__).parent / "evidence" / "targets.md"
METALS = (
    "stainless-tube-20mhz", "copper-tube-20mhz", "nickel-alloy-tube-20mhz", "titanium-tube-20mhz",
)  # fmt: skip
POLYMERS = ("nylon-tube-mismatched", "nylon-tube-near-matched")
BLOCK = "aluminium-block-contact"
HEADINGS = ("corpus", "detector", "what", "wanted", "found", "")
ABOUT = """\
*wl*: wall in wavelengths. Intervals are Wilson's, 95 %. *bound*: sqrt((1.5 Cramer-Rao bound)^2 +
(0.1 tolerance)^2), root of the mean square over the records that have a bound. *rms* is over hit,
off and undecided readings. The best of many detectors looks better on these records than it is: it
was chosen by them. Below about 0.33
wavelengths the half-wave resonance has left the band and two walls explain one record: there
silence is right. *at the true velocity*: without what the set-up's velocity has wrong. A simulated
A-scan qualifies no procedure.
"""


@dataclass(frozen=True)
class Line:
    """One target on one corpus; `reached` is None where it is only reported."""

    corpus: str
    detector: str
    what: str
    wanted: str
    found: str
    reached: bool | None

    def cells(self) -> tuple[str, ...]:
        """The row of the table."""
        verdict = {True: "reached", False: "not reached", None: "reported"}[self.reached]
        return self.corpus, self.detector, self.what, self.wanted, self.found, verdict


class Rows:
    """The scored `prove` records of one detector on one corpus."""

    def __init__(self, corpus: str, detector: str, table: pd.DataFrame) -> None:
        self.corpus, self.detector, self.table = corpus, detector, table

    def where(self, kept: "pd.Series[bool]") -> "Rows":
        """Those for which it is so; `kept` may be of more records."""
        return Rows(self.corpus, self.detector, self.table[kept[self.table.index]])

    def __getitem__(self, column: str) -> "pd.Series[Any]":
        return self.table[column]

    def rate(
        self,
        what: str,
        events: Sequence[str],
        *,
        least: float | None = None,
        most: float | None = None,
    ) -> Line:
        """A share of the records, wanted above or below a limit in per cent, or only reported."""
        k, n = int(self["outcome"].isin(events).sum()), len(self.table)
        low, high = wilson(k, n)
        share = 100 * k / max(n, 1)
        found = f"{k}/{n} {share:.3g} % ({100 * low:.3g} to {100 * high:.3g})"
        wanted, reached = "", None
        if least is not None:
            wanted, reached = f">= {least:g} %", share >= least
        elif most is not None:
            wanted, reached = f"<= {most:g} %", share <= most
        return Line(self.corpus, self.detector, what, wanted, found, reached)

    def number(self, what: str, value: float, most: float, unit: str) -> Line:
        """A number that may not be larger than another."""
        wanted, found = f"<= {most:.3g} {unit}", f"{value:.3g} {unit}"
        return Line(self.corpus, self.detector, what, wanted, found, bool(value <= most))


LOCKS = [str(o) for o in FALSE_LOCKS]
READ = ["hit", "off", "undecided"]


def rows_of(trial: Trial, corpus: str, detector: str) -> Rows:
    """Outcomes beside the truth."""
    own = trial.of(corpus)
    readings = own.readings[own.readings["detector"] == detector]
    truth = own.records.drop(columns=["corpus", "split"]).rename(
        columns={"thickness_mm": "wall_mm"}
    )
    both = readings.merge(truth, on="record", validate="one_to_one")
    info = next(c for c in trial.info["corpora"] if c["name"] == corpus)
    setup = setup_of(info)
    by_velocity = velocity_part_um(
        1e3 * both["wall_mm"].to_numpy(), setup.velocity, both["velocity_true_m_s"].to_numpy()
    )
    tolerance_um = 1e6 * setup.tolerance.of(both["wall_mm"].to_numpy() / 1e3)
    both = both.assign(own_error_um=both["error_um"] - by_velocity, tolerance_um=tolerance_um)
    return Rows(corpus, detector, both[both["split"] == "prove"])


def metal(rows: Rows, limit: float) -> Iterator[Line]:
    """Targets of metal tubes, 28 to 46 dB; `limit`: thin-wall limit of the scores."""
    waves = rows["wall_wavelengths"]
    inside = rows.where(~rows["outside_range"] & rows["wall_mm"].notna())
    walls = inside.where((waves >= 0.35) & (waves <= 5))
    yield walls.rate("hits, 0.35 to 5 wl", ["hit"], least=99.5)
    yield walls.rate("false locks, 0.35 to 5 wl", LOCKS, most=0.1)
    thin = inside.where((waves >= 0.12) & (waves < 0.33))
    yield thin.rate("false locks, 0.12 to 0.33 wl", LOCKS, most=1)
    yield inside.where((waves >= 0.33) & (waves < 0.37)).rate("hits, 0.33 to 0.37 wl", ["hit"])
    yield from phantoms(rows)
    yield rows.number("thin-wall limit", limit, 0.35, "wl")
    known = inside.where(rows["bound_um"].notna() & rows["outcome"].isin(READ))
    squares = (1.5 * known["bound_um"]) ** 2 + (0.1 * known["tolerance_um"]) ** 2
    error, bound = _rms(known["own_error_um"]), float(np.sqrt(np.mean(squares)))
    yield rows.number("rms error at the true velocity, against the bound", error, bound, "um")


def polymer(rows: Rows) -> Iterator[Line]:
    """Targets of polymer tubes, from 34 dB on."""
    inside = rows.where(~rows["outside_range"] & rows["wall_mm"].notna() & (rows["snr_db"] >= 34))
    yield inside.rate("hits", ["hit"], least=99.5)
    yield attainable(inside)
    yield inside.rate("false locks", LOCKS, most=0.2)
    error = inside["own_error_um"][inside["outcome"].isin(READ)]
    yield rows.number("rms error at the true velocity", _rms(error), 3.0, "um")
    yield from phantoms(rows)


def attainable(rows: Rows) -> Line:
    """Hits of an unbiased detector whose errors are normal and as small as the bound allows."""
    known = rows.where(rows["bound_um"].notna())
    share = 100 * np.mean(erf(known["tolerance_um"] / (np.sqrt(2) * known["bound_um"])))
    found = f"{share:.3g} % of {len(known.table)} records that have a bound"
    return Line(rows.corpus, "the bound", "hits that it allows", "", found, None)


def _rms(values: "pd.Series[float]") -> float:
    return float(np.sqrt(np.mean(values**2)))


def phantoms(rows: Rows) -> Iterator[Line]:
    """Readings where there is no wall."""
    yield rows.where(rows["kind"] == "dry").rate("phantoms, dry", ["phantom"], most=0)
    yield rows.where(rows["kind"] == "wet tip").rate("phantoms, wet tip", ["phantom"])


def behind_the_tail(rows: Rows) -> Iterator[Line]:
    """Threshold in mode 3."""
    waves, clear = rows["wall_wavelengths"], rows["snr_db"] >= 36
    inside = ~rows["outside_range"] & rows["wall_mm"].notna()
    yield rows.where(inside & clear & (waves > 1.5)).rate(
        "hits in mode 3, over 1.5 wl, from 36 dB", ["hit"], least=95
    )
    yield rows.where(inside & clear & (waves <= 1.5)).rate("hits in mode 3, thinner walls", ["hit"])


def block() -> Iterator[Line]:
    """Readings of the recorded block within 0.3 % of the detector's own median; of the best all."""
    folder = next((f for f in home.corpora("recorded") if f.name == BLOCK), None)
    if folder is None:
        return
    loaded = host.load()
    corpus = Corpus.open(folder, materials=loaded.forward_model.materials())
    readings = read_corpus(corpus, loaded.chosen()).readings
    good = {}
    for detector, own in readings.groupby("detector", observed=True, sort=False):
        read = own["thickness_mm"].dropna()
        near = int((abs(read / read.median() - 1) <= 0.003).sum())
        good[str(detector)] = near, len(read), len(own)
    best = max(good, key=lambda name: good[name])
    for name, (near, read_at_all, n) in good.items():
        found, what = f"{near} of {n}, {read_at_all} read", "within 0.3 % of its own median"
        asked, reached = (f"all {n}", near == n) if name == best else ("", None)
        yield Line(BLOCK, name, what, asked, found, reached)


def lines(size: str, workers: int) -> Iterator[Line]:
    """Every target."""
    with tempfile.TemporaryDirectory() as folder:
        trial = conduct([*METALS, *POLYMERS], size, Path(folder) / "trial", workers)
        for document in trial.documents():
            corpus, best = document["corpus"], _best(document)
            rows = rows_of(trial, corpus, best)
            yield from metal(rows, _limit(document, best)) if corpus in METALS else polymer(rows)
        mode_3 = conduct(
            METALS, size, Path(folder) / "mode-3", workers,
            "--detector", "threshold", "--set", "threshold.mode=3",
        )  # fmt: skip
        for corpus in METALS:
            yield from behind_the_tail(rows_of(mode_3, corpus, "threshold"))
    yield from block()


def _best(document: dict[str, Any]) -> str:
    hits = {a["detector"]: a["hit"] for a in document["verdict"]["assessments"]}
    return str(document["verdict"]["detector"] or max(hits, key=lambda name: hits[name] or 0))


def _limit(document: dict[str, Any], detector: str) -> float:
    wanted = (detector, "thin-wall limit", "wavelengths")
    keys = ("detector", "measure", "unit")
    row = next(r for r in document["scores"] if tuple(r[k] for k in keys) == wanted)
    return float("inf") if row["value"] is None else float(row["value"])


def table(found: Sequence[Line]) -> str:
    """The lines as Markdown."""
    rows = ["| " + " | ".join(line.cells()) + " |" for line in found]
    return "\n".join(["| " + " | ".join(HEADINGS) + " |", "|" + "---|" * len(HEADINGS), *rows])


def main() -> None:
    """Measure, write, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", default="standard", help="smoke, run or standard")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, default=EVIDENCE)
    asked = parser.parse_args()
    text = table(list(lines(asked.size, asked.workers)))
    print(text)
    heading = f"# Targets\n\n{made_by('python -m benchmarks.targets')}; size {asked.size}."
    write_text(asked.out, f"{heading}\n\n{ABOUT}\n{text}\n")


if __name__ == "__main__":
    main()
