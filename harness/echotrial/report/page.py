"""``report.html``: one file that opens offline, with every number and picture of a trial."""

import base64
import math
import zlib
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

import numpy as np
import orjson

from echotrial.files import write_text
from echotrial.report.compact import Part, compact, outcomes, packed, part_of, parts_of
from echotrial.report.facts import truth_lines
from echotrial.report.palette import LOOKS
from echotrial.report.picture import picture
from echotrial.report.record import Record, Records, length
from echotrial.report.worst import worst
from echotrial.strict import plain
from echotrial.trial.folder import AT_HAND, Trial

REPORT: Final = "report.html"
CAUTIONS: Final = (
    "Evidence from simulation qualifies no procedure: verify on reference blocks of the same "
    "material, geometry and range, and follow the applicable code and qualified personnel.",
    "A reading that is too thick keeps a bad part in service: look at thick false locks first.",
    "The best of many detectors looks better on these records than it is. What is guaranteed of "
    "one detector is not guaranteed of whichever came out first.",
)
#: Records of a corpus that the page carries: it has to open in a browser.
MOST_RECORDS: Final = AT_HAND
_NOT_ALL: Final = (
    f"This trial is large: pictures, lists and filters here are of the first {MOST_RECORDS:,} "
    "records of each corpus. Tables of scores and verdicts are of all."
)
#: Samples of carried A-scans are rounded to this share of the record's own peak.
_STEPS: Final = 2000
_SCRIPTS: Final = ("data.js", "count.js", "draw.js", "shares.js", "list.js", "report.js")


def write(trial: Trial, path: Path | None = None) -> Path:
    """Write the report of a trial, by default as ``report.html`` into its folder."""
    return made(trial).write(trial, path)


def html(trial: Trial) -> str:
    """The report of a trial as one HTML text."""
    return made(trial).html(trial)


def made(trial: Trial) -> "Report":
    """The report of a trial that is complete, from its folder."""
    report = Report(trial.folder.name)
    shown = trial.first(MOST_RECORDS) if trial.holds_more_than(MOST_RECORDS) else trial
    for part in parts_of(shown):
        report.add(part)
    return report


class Report:
    """A report in the making, corpus by corpus: what is held of each are its figures, deflated."""

    def __init__(self, name: str) -> None:
        self._name, self._sections, self._payload = name, list[dict[str, Any]](), Deflated()
        self._payload.add(as_json({"trial": name, "outcomes": outcomes()}).removesuffix("}"))

    def hear(self, trial: Trial, document: Mapping[str, Any]) -> None:
        """Add a corpus while a trial goes on, as `trial.conduct` tells of it."""
        self.add(part_of(trial, document))

    def add(self, part: Part) -> None:
        """Add a corpus, of `MOST_RECORDS` at most."""
        section, payload = _section(part)
        self._payload.add("," if self._sections else ',"corpora":[')
        self._payload.add(payload)
        self._sections.append(section)

    def write(self, trial: Trial, path: Path | None = None) -> Path:
        """Write `html`, by default as ``report.html`` into the trial's folder."""
        path = path or trial.folder / REPORT
        write_text(path, self.html(trial))
        return path

    def html(self, trial: Trial) -> str:
        """The page, once, of a trial all of whose corpora were added."""
        self._payload.add("]}")
        large = trial.holds_more_than(MOST_RECORDS)
        return render(
            "report.html.j2",
            _SCRIPTS,
            self._payload,
            title=f"Trial {self._name}",
            info=trial.info,
            sections=self._sections,
            looks=LOOKS,
            cautions=(*CAUTIONS, _NOT_ALL) if large else CAUTIONS,
        )


def render(template: str, scripts: tuple[str, ...], payload: "Deflated", **values: Any) -> str:
    """Fill a template that carries its data, scripts and plotting library within itself.

    `payload` is JSON text.
    """
    from plotly.offline import get_plotlyjs

    found: str = (
        _templates()
        .get_template(template)
        .render(
            style=_asset("report.css"),
            plotly=_closed(get_plotlyjs()),
            script=_closed("\n".join(_asset(name) for name in scripts)),
            payload=payload.text(),
            **values,
        )
    )
    return found


def as_json(data: Mapping[str, Any]) -> str:
    """JSON text; NaN becomes null."""
    return orjson.dumps(data, plain, orjson.OPT_SERIALIZE_NUMPY | orjson.OPT_NON_STR_KEYS).decode()


class Deflated:
    """A text that comes in pieces, deflated."""

    def __init__(self, *pieces: str) -> None:
        self._packer = zlib.compressobj(4)  # 6 takes twice as long for 7 % less
        self._packed = list[bytes]()
        for piece in pieces:
            self.add(piece)

    def add(self, piece: str) -> None:
        """Go on."""
        self._packed.append(self._packer.compress(piece.encode("utf-8")))

    def text(self) -> str:
        """All of it, as base64; once."""
        return base64.b64encode(b"".join([*self._packed, self._packer.flush()])).decode("ascii")


def _closed(script: str) -> str:
    """A script that cannot end its element early."""
    return script.replace("</script", "<\\/script").replace("<!--", "<\\!--")


def _asset(name: str) -> str:
    return (files("echotrial.report") / "assets" / name).read_text(encoding="utf-8")


@cache
def _templates() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("echotrial.report", "assets"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["percent"] = percent
    made.filters["figure"] = shown
    made.filters["moment"] = moment
    return made


def percent(value: float | None) -> str:
    """A share as a percentage of three digits, or a dash."""
    if value is None or not math.isfinite(value):
        return "–"
    return f"{100 * value:.{2 if value < 0.0995 else 1}f}"


def shown(value: float | None, form: str = ".2f") -> str:
    """A number, or a dash where there is none."""
    return "–" if value is None or not math.isfinite(value) else format(value, form)


def moment(iso: str) -> str:
    """A point in time as people write it, to the minute, in UTC."""
    return f"{datetime.fromisoformat(iso).astimezone(UTC):%Y-%m-%d %H:%M} UTC"


def _section(part: Part) -> tuple[dict[str, Any], str]:
    """What the template needs of one corpus, and the data that its scripts work on as JSON."""
    records = Records(part.trial, part.name)
    carried = records.several(worst(part))
    low, high = part.setup.wall_range
    section = {
        "info": part.info,
        "verdict": part.document["verdict"],
        "sentence": str(part.document["verdict"]["sentence"]).removeprefix(f"{part.name}: "),
        "detectors": part.panel.detectors,
        "records": len(part.panel),
        "walls": int(part.panel.inside.sum()),
        "range": (length(low * 1e3, part.setup), length(high * 1e3, part.setup)),
        "rates": _rates(part),
        "missing": records.missing,
        "carried": len(carried),
        "setup": setup_lines(part.info["setup"]),
        "offsets": records.offsets,
    }
    pictures = {str(r.number): embedded(r) for r in carried}
    payload = {**compact(part), "missing": records.missing, "embedded": pictures}
    return section, as_json(payload)


def _rates(part: Part) -> dict[tuple[str, str], Mapping[str, Any]]:
    """Rows of the scores that the table of detectors shows, by detector and measure."""
    return {
        (r["detector"], r["measure"] if r["unit"] == "1" else f"{r['measure']} {r['unit']}"): r
        for r in part.document["scores"]
        if r["stratum"] == "whole"
    } | {
        (r["detector"], f"phantom {r['bin']}"): r
        for r in part.document["scores"]
        if r["stratum"] == "no wall" and r["measure"] == "phantom"
    }


def setup_lines(table: Mapping[str, Any]) -> list[tuple[str, str]]:
    """A set-up's keys and values as words."""
    return [(key.replace("_", " "), _value_words(value)) for key, value in table.items()]


def _value_words(value: Any) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{k.replace('_', ' ')} {_value_words(v)}" for k, v in value.items())
    return " to ".join(map(str, value)) if isinstance(value, list) else str(value)


def embedded(record: Record) -> dict[str, Any]:
    """A record as the page carries it: facts, picture, samples rounded to a share of the peak."""
    found: dict[str, Any] = {
        "title": record.title,
        "truth": truth_lines(record),
        "readings": [
            {
                "detector": r.detector,
                "outcome": r.outcome,
                "direction": r.direction,
                "said": length(r.thickness_mm, record.setup)
                if math.isfinite(r.thickness_mm)
                else f"no reading: {r.reason}",
                "confidence": r.confidence,
                "why": r.why,
            }
            for r in record.readings
        ],
        "picture": picture(record, samples=False),
    }
    if record.wave is not None:
        peak = float(np.abs(record.wave.samples).max()) or 1.0
        found["scale"] = peak / _STEPS
        found["samples"] = packed(np.round(record.wave.samples / peak * _STEPS), "<i2")
    return found
