"""What would help most where no detector can be trusted: tried by simulation, not guessed."""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

from echotrial.choose.crew import Bench, Where
from echotrial.choose.feasibility import DELAY_LINES
from echotrial.choose.job import Job
from echotrial.choose.objective import Objective
from echotrial.choose.variation import spec_around
from echotrial.corpus.build import build
from echotrial.errors import EchotrialError
from echotrial.hooks import Material
from echotrial.host import Host
from echotrial.scores import Limits
from echotrial.setup import Medium

#: Records that a change is tried on: one tile of the engine.
SIZE: Final = {"prove": 0, "tune": 256}
#: Averages, and how many times the frequency, that are tried.
AVERAGES: Final = 16
FREQUENCIES: Final = (1.5, 2.0, 4.0)


@dataclass(frozen=True)
class Change:
    """A change of the set-up and how it came out with the best of the detectors tried."""

    words: str
    detector: str
    objective: Objective | None
    refused: str = ""


def changes(job: Job, materials: Mapping[str, Material]) -> Iterator[tuple[str, Job]]:
    """Changes worth trying, one at a time; the first is none at all."""
    setup = job.setup
    yield "as it is", job
    for mode in (2, 3):
        if setup.mode not in (None, mode) and setup.delay_line is not None:
            yield f"mode {mode} of ISO 16809", job.with_setup(mode=mode)
    if setup.delay_line is not None and setup.reference_echo is None:
        for name in DELAY_LINES:
            if name in materials and name != setup.delay_line.material:
                yield f"delay line of {name}", _on(job, materials[name])
    for times in FREQUENCIES if setup.reference_echo is None else ():
        faster = {
            "centre_frequency": times * setup.centre_frequency,
            "bandwidth": times * setup.bandwidth_hz,
        }
        rate = job.sample_rate and times * job.sample_rate
        words = f"{times:g} times the frequency ({faster['centre_frequency'] / 1e6:.3g} MHz)"
        yield words, replace(job.with_setup(**faster), sample_rate=rate)
    gain = math.log(AVERAGES) / 2  # noise falls with the root of the number, in Np
    low, high = job.uncertain.noise
    quiet = job.uncertain.model_copy(update={"noise": (low + gain, high + gain)})
    yield f"averaging of {AVERAGES} A-scans", replace(job, uncertain=quiet)
    if setup.velocity_uncertainty:
        better = job.with_setup(velocity_uncertainty=setup.velocity_uncertainty / 2)
        yield "half the velocity's uncertainty (calibrate on more samples)", better


def _on(job: Job, material: Material) -> Job:
    line = job.setup.delay_line
    length = line.length if line else None
    found = Medium(material=material.name, impedance=material.impedance, length=length)
    return job.with_setup(delay_line=found, interface_echo=None)


def advice(
    host: Host,
    job: Job,
    settings: Mapping[str, Mapping[str, Any]],
    plugins: tuple[Path, ...] = (),
    entry_points: bool = True,
    tell: Callable[[Change], None] | None = None,
    seed: int = 0,
) -> list[Change]:
    """Try each change with the detectors that came nearest, with their settings and their defaults.

    Returns
    -------
    list
        Best first; what cannot be simulated comes last with the reason.
    """
    found = []
    for words, changed in changes(job, host.forward_model.materials()):
        found.append(_tried(host, words, changed, settings, plugins, entry_points, seed))
        if tell:
            tell(found[-1])
    return sorted(found, key=_better)


def conclusion(tried: Sequence[Change]) -> str:
    """What would help most, in words; `tried` best first."""
    best = tried[0]
    if best.objective is None or best.words == "as it is" or not best.objective.hit:
        return "None of these changes helps in simulation."
    enough = "" if best.objective.within == 0 else "; it is not enough by itself"
    return f"What would help most: {best.words} ({best.objective.sentence}){enough}."


def _better(change: Change) -> tuple[float, ...]:
    value = change.objective
    if value is None:
        return (2.0,)
    return (1.0, -value.within, -value.worst_hit, -value.precision)


def _tried(
    host: Host,
    words: str,
    job: Job,
    settings: Mapping[str, Mapping[str, Any]],
    plugins: tuple[Path, ...],
    entry_points: bool,
    seed: int,
) -> Change:
    try:
        with TemporaryDirectory() as folder:
            spec = spec_around(host.forward_model, job, "changed")
            corpus = build(host, spec, seed=seed, size=SIZE, out=Path(folder) / "corpus")
            bench = Bench(Where(corpus.folder, plugins, entry_points, (), Limits()))
            return max(_each(bench, words, settings), key=lambda c: c.objective or _worst())
    except EchotrialError as error:
        return Change(words, "", None, str(error))


def _each(bench: Bench, words: str, settings: Mapping[str, Mapping[str, Any]]) -> Sequence[Change]:
    found = []
    for name, tuned in settings.items():
        tried = [tuned, {}] if tuned else [{}]
        judged = bench.judged_each(bench.host.detectors[name], tried, bench.rows)
        found += [Change(words, name, j.objective) for j in judged]
    return found


def _worst() -> Objective:
    return Objective(-99.0, 0.0, -9e9, 0.0, 1.0, 1.0, 1.0)
