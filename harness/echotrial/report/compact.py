"""A trial as compact columns, from which the page counts and draws everything anew for a filter."""

import base64
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from echotrial import quantities
from echotrial.outcome import FALSE_LOCKS, FAULTS, Outcome
from echotrial.report.palette import LOOKS
from echotrial.report.words import label
from echotrial.scores import ConfidenceMap, Gathering, Panel
from echotrial.scores.panel import RIGHT_ECHOES
from echotrial.scores.strata import bins_of
from echotrial.setup import Setup, read_setup
from echotrial.trial.folder import Trial

#: Code of a record that lies in no bin of a stratum.
NO_BIN: Final = 255
#: Where a record stands: what the page's denominators are made of.
KINDS: Final = ("in range", "thinner", "thicker", "dry", "wet tip")
#: What filters offer first; other columns of the truth follow.
FIRST: Final = ("wall_wavelengths", "echo_snr_db", "tail_to_echo_db", "couplant_gap_um", "snr_db")


@dataclass(frozen=True, eq=False)
class Part:
    """One corpus of a trial, ready to be shown.

    Attributes
    ----------
    trial
        With tables of this corpus only.
    info
        Its entry in trial.toml.
    document
        Its entry in scores.json.
    panel
        Outcomes of the `prove` records, (detectors, records).
    read_mm
        What each detector read, (detectors, records); NaN = nothing.
    p_hit
        P(hit | reading), (detectors, records); NaN where there is none.
    """

    trial: Trial
    info: Mapping[str, Any]
    document: Mapping[str, Any]
    setup: Setup
    panel: Panel
    read_mm: NDArray[np.float64]
    p_hit: NDArray[np.float64]
    seconds: Mapping[str, float]

    @property
    def name(self) -> str:
        """Name of the corpus."""
        return str(self.info["name"])

    @property
    def clustered(self) -> bool:
        """Whether several records may be of one specimen, and intervals know it."""
        return bool(self.info["origin"] != "synthetic")


def parts_of(trial: Trial) -> Iterator[Part]:
    """Every corpus of a trial, one at a time: their tables together may be large."""
    for document in trial.documents():
        yield part_of(trial.of(document["corpus"]), document)


def part_of(trial: Trial, document: Mapping[str, Any]) -> Part:
    """The corpus of a document, of a trial with tables of this corpus only."""
    name = document["corpus"]
    info = next(info for info in trial.info["corpora"] if info["name"] == name)
    setup = setup_of(info)
    readings, truth = trial.readings, trial.records
    panel = _panel(name, setup, [d["name"] for d in trial.info["detectors"]], readings, truth)
    seconds = {
        row["detector"]: row["seconds"]
        for row in trial.info["seconds_per_record"]
        if row["corpus"] == name
    }
    read_mm = _in_order(readings, panel)
    return Part(trial, info, document, setup, panel, read_mm, _p_hit(panel, document), seconds)


def _panel(
    name: str, setup: Setup, detectors: Sequence[str], readings: pd.DataFrame, truth: pd.DataFrame
) -> Panel:
    """Outcomes of the `prove` records; the tables have them by record, then by detector."""
    prove = truth["split"] == "prove"
    gathering = Gathering(name, setup, detectors, {"prove": int(prove.sum())})
    mine = readings[readings["split"] == "prove"]
    gathering.add(mine, mine, truth[prove])
    return gathering.panel("prove")


def _in_order(readings: pd.DataFrame, panel: Panel) -> NDArray[np.float64]:
    """Readings of `prove` as the panel has its rows and columns."""
    values = readings.loc[readings["split"] == "prove", "thickness_mm"].to_numpy(dtype=np.float64)
    return np.ascontiguousarray(values.reshape(len(panel), len(panel.detectors)).T)


def setup_of(info: Mapping[str, Any]) -> Setup:
    """The set-up of a corpus as trial.toml keeps it; its reference echo stays in the corpus."""
    table = {k: v for k, v in info["setup"].items() if k != "reference_echo"}
    return read_setup(table, f"trial.toml: {info['name']}")


def _p_hit(panel: Panel, document: Mapping[str, Any]) -> NDArray[np.float64]:
    found = np.full(panel.code.shape, np.nan)
    for i, name in enumerate(panel.detectors):
        made = document["confidence_maps"].get(name)
        if made is not None:
            p_hit = ConfidenceMap.from_data(made)(panel.confidence[i])
            found[i] = np.where(panel.given[i], p_hit, np.nan)
    return found


def compact(part: Part) -> dict[str, Any]:
    """Give the columns of one corpus as JSON data; arrays are base64 of little-endian numbers."""
    panel, setup = part.panel, part.setup
    truth = panel.truth
    wall_mm = panel.wall_m * 1e3
    return {
        "name": part.name,
        "origin": part.info["origin"],
        "clustered": part.clustered,
        "unit": setup.length_unit,
        "perUnit": quantities.convert(1e-3, "length", setup.length_unit),
        "wavelength": setup.wavelength_m * 1e3,
        "relative": setup.tolerance.relative,
        "absolute": setup.tolerance.absolute * 1e6,
        "detectors": list(panel.detectors),
        "seconds": [part.seconds.get(name) for name in panel.detectors],
        "n": len(panel),
        "record": packed(truth["record"], "<u4"),
        "kind": packed(kinds(panel), "u1"),
        "wall": packed(wall_mm, "<f8"),
        "waves": packed(wavelengths(part), "<f4"),
        "bound": packed(truth.get("bound_um", pd.Series(np.nan, truth.index)), "<f4"),
        "outcome": packed(panel.code, "u1"),
        "deviation": packed(deviation_um(part), "<f4"),
        "pHit": packed(part.p_hit, "<f4"),
        "hasMap": [name in part.document["confidence_maps"] for name in panel.detectors],
        "strata": strata(part),
    }


def packed(values: Any, dtype: str) -> str:
    """Numbers as base64."""
    return base64.b64encode(np.ascontiguousarray(values, dtype=dtype).tobytes()).decode("ascii")


def kinds(panel: Panel) -> NDArray[np.uint8]:
    """Position in `KINDS` of every record, (n,)."""
    low = panel.setup.wall_range[0]
    outside = np.where(panel.wall_m < low, 1, 2)
    walls = np.where(panel.inside, 0, outside)
    return np.where(panel.no_wall, np.where(panel.dry, 3, 4), walls).astype(np.uint8)


def wavelengths(part: Part) -> NDArray[np.float64]:
    """Wall in wavelengths, (n,): by the true velocity where it is known, else the set-up's."""
    nominal = part.panel.wall_m / part.setup.wavelength_m
    known = part.panel.truth.get("wall_wavelengths")
    if known is None:
        return nominal
    true = np.asarray(known, dtype=np.float64)
    return np.where(np.isnan(true), nominal, true)


def deviation_um(part: Part) -> NDArray[np.float64]:
    """Reading less truth, (d, n), where no wall counts as 0; NaN = no reading."""
    error, no_wall = part.panel.error_um.copy(), part.panel.no_wall
    error[:, no_wall] = part.read_mm[:, no_wall] * 1e3
    return error


def strata(part: Part) -> list[dict[str, Any]]:
    """Bins of every column of the truth that can be cut; the same as those of scores.csv."""
    panel = part.panel
    truth = panel.truth.assign(wall_wavelengths=wavelengths(part))
    found: dict[str, dict[str, Any]] = {}
    for made in bins_of(truth, among=panel.inside):
        fresh = {"codes": np.full(len(panel), NO_BIN, np.uint8), "bins": []}
        entry = found.setdefault(made.stratum, fresh)
        entry["codes"][made.rows] = len(entry["bins"])
        entry["bins"].append(made.name)
    names = [*(c for c in FIRST if c in found), *(c for c in found if c not in FIRST)]
    return [
        {
            "name": name,
            "label": label(name),
            "main": name in FIRST,
            "bins": found[name]["bins"],
            "codes": packed(found[name]["codes"], "u1"),
        }
        for name in names
        if len(found[name]["bins"]) > 1 or name in FIRST
    ]


def outcomes() -> list[dict[str, Any]]:
    """Name, look and group of every outcome, in the order of its code."""
    return [
        {
            "name": str(o),
            "colour": LOOKS[o].colour,
            "hatch": LOOKS[o].hatch,
            "symbol": LOOKS[o].symbol,
            "about": LOOKS[o].about,
            "falseLock": o in FALSE_LOCKS,
            "fault": o in FAULTS,
            "right": o in RIGHT_ECHOES,
        }
        for o in Outcome
    ]
