"""The method file: set-up, detector, settings, calibration and evidence, frozen together."""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import tomlkit

from echotrial import __version__
from echotrial.choose.budget import Budget, Sources, budget, per_kelvin
from echotrial.choose.calibration import Calibration
from echotrial.choose.variation import HEIGHT
from echotrial.errors import WrongQuestion, nearest
from echotrial.files import new_file, write_text
from echotrial.host import Host, LoadedDetector
from echotrial.scores import ConfidenceMap
from echotrial.setup import Setup, Waveform, read_setup
from echotrial.strict import read_toml

FORMAT: Final = 1
_WANTED: Final = ("format", "name", "detector", "sampling", "setup", "evidence", "sources", "mode")


@dataclass(frozen=True)
class Method:
    """A chosen approach.

    Attributes
    ----------
    mode
        Of ISO 16809, in which it reads.
    sources
        What its readings are uncertain by at the thin end, middle and thick end: (thickness in m,
        sources), from the trial.
    confidence
        Raw confidence -> P(hit | reading), None where the detector states none.
    evidence
        What it rests on: identities, digests, verdict, versions.
    screen_height
        Share of full scale at which the highest echo stands; above 1 it clips.
    """

    name: str
    setup: Setup
    rate_hz: float
    detector: str
    version: str
    source_digest: str
    settings: Mapping[str, Any]
    mode: int
    sources: tuple[tuple[float, Sources], ...]
    confidence: ConfidenceMap | None
    calibration: Calibration | None
    evidence: Mapping[str, Any]
    screen_height: float = HEIGHT

    @property
    def calibrated(self) -> Setup:
        """The set-up with calibrated velocity and zero offset."""
        return self.calibration.applied(self.setup) if self.calibration else self.setup

    @property
    def line(self) -> Calibration:
        """The calibration, or what the set-up says where there is none."""
        if self.calibration is not None:
            return self.calibration
        # the velocity's spread stands in `sources` already
        zero = 0.0 if self.mode == 3 else self.setup.zero_offset
        nothing = np.zeros((2, 2))
        low, high = self.setup.wall_range
        return Calibration(
            "velocity", self.setup.velocity, zero, nothing, nothing, (low, high), samples=0
        )

    def budgets(self) -> list[Budget]:
        """Uncertainty at the thin end, the middle and the thick end."""
        return [budget(wall, self.line, found) for wall, found in self.sources]

    def with_calibration(self, calibration: Calibration) -> "Method":
        """The same method, calibrated."""
        return replace(self, calibration=calibration)

    def loaded(self, host: Host) -> LoadedDetector:
        """Its detector, if it is the one that was proven.

        Raises
        ------
        WrongQuestion
            No such detector here, or another version of it.
        """
        if self.detector not in host.detectors:
            raise WrongQuestion(
                f"method {self.name}: no detector '{self.detector}' here: "
                f"{nearest(self.detector, host.detectors)}; load its plugin with --plugin"
            )
        found = host.detectors[self.detector]
        if (found.version, found.source_digest) != (self.version, self.source_digest):
            raise WrongQuestion(
                f"method {self.name}: was proven with {self.detector} {self.version} "
                f"({self.source_digest[:10]}), here is {found.version} "
                f"({found.source_digest[:10]}): its evidence does not hold; choose again"
            )
        return found


def write_method(method: Method, path: Path) -> None:
    """Write the file, and the reference echo beside it as ``NAME.reference.npy``."""
    echo = method.setup.reference_echo
    beside = f"{path.stem}.reference.npy"
    if echo is not None:
        with new_file(path.with_name(beside)) as part, part.open("wb") as file:
            np.save(file, echo.samples, allow_pickle=False)
    document = tomlkit.document()
    document.add(tomlkit.comment("Method file. Evidence from simulation qualifies no procedure."))
    for key, value in _data(method, beside).items():
        document.add(key, value)
    write_text(path, tomlkit.dumps(document))


def _data(method: Method, beside: str) -> dict[str, Any]:
    echo = method.setup.reference_echo
    found: dict[str, Any] = {
        "format": FORMAT,
        "made_by": f"echotrial {__version__}",
        "name": method.name,
        "mode": method.mode,
        "detector": {
            "name": method.detector,
            "version": method.version,
            "source_digest": method.source_digest,
            "settings": dict(method.settings),
        },
        "sampling": {"rate_hz": method.rate_hz, "screen_height": method.screen_height},
        "setup": method.setup.table(beside if echo is not None else None),
        "sources": [{"thickness_m": wall, **vars(s)} for wall, s in method.sources],
        "evidence": dict(method.evidence),
    }
    if method.confidence is not None:
        found["confidence"] = method.confidence.as_data()
    if method.calibration is not None:
        found["calibration"] = method.calibration.as_data()
    return found


def read_method(path: Path) -> Method:
    """Read a method file.

    Raises
    ------
    WrongQuestion
        No method file, one of another format, or one that was cut short.
    """
    data = read_toml(path)
    lacking = [key for key in _WANTED if key not in data]
    if lacking:
        raise WrongQuestion(f"{path}: no method file (no {', '.join(lacking)}): see `choose`")
    if data["format"] != FORMAT:
        raise WrongQuestion(
            f"{path}: format {data['format']!r} by {data.get('made_by', 'an unknown version')}; "
            f"this version reads format {FORMAT}: choose again"
        )
    rate = float(data["sampling"]["rate_hz"])
    setup = read_setup(data["setup"], f"{path}: setup", _echo_reader(path.parent, rate))
    try:
        return _method(data, setup, rate)
    except (KeyError, TypeError, ValueError) as error:
        raise WrongQuestion(f"{path}: damaged method file ({error!r}): choose again") from None


def _method(data: Mapping[str, Any], setup: Setup, rate_hz: float) -> Method:
    detector = data["detector"]
    confidence, calibration = data.get("confidence"), data.get("calibration")
    sources = tuple(
        (float(s["thickness_m"]), Sources(**{k: v for k, v in s.items() if k != "thickness_m"}))
        for s in data["sources"]
    )
    return Method(
        data["name"], setup, rate_hz, detector["name"], detector["version"],
        detector["source_digest"], detector["settings"], int(data["mode"]), sources,
        ConfidenceMap.from_data(confidence) if confidence else None,
        Calibration.from_data(calibration) if calibration else None, data["evidence"],
        float(data["sampling"].get("screen_height", HEIGHT)),
    )  # fmt: skip


def _echo_reader(folder: Path, rate_hz: float) -> Any:
    def read(name: str, start_s: float | None) -> Waveform:
        path = folder / name
        if not path.is_file():
            raise ValueError(f"{path}: the reference echo that belongs to this method is missing")
        samples = np.load(path, allow_pickle=False).astype(np.float32)
        samples.flags.writeable = False
        return Waveform(samples, rate_hz, start_s or 0.0)

    return read


def digest_of(data: Mapping[str, Any]) -> str:
    """sha256 of plain data, for evidence."""
    return hashlib.sha256(json.dumps(data, sort_keys=True, default=str).encode()).hexdigest()


def sources_at(
    wall_m: float, time_s: float, bias_m: float, setup: Setup, temperature_k: float
) -> Sources:
    """Sources of one wall: what the trial measured, and what the set-up says."""
    impedance = setup.wall.impedance if setup.wall else None
    return Sources(
        time_s, bias_m, setup.velocity_uncertainty / setup.velocity, temperature_k,
        per_kelvin(impedance),
    )  # fmt: skip
