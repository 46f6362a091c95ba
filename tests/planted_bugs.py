"""Seven bugs planted in copies of shipped detectors: does the guard see them, and name a record?

``python -m tests.planted_bugs`` runs copies without and with each bug over the `smoke` corpora and
prints the table; exit code 1 when one is not caught. A copy is the detector's own module loaded
once more under another name, with one thing in it replaced; everything else is what ships.
"""

import importlib.util
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
from echotrial import host as hosts
from echotrial.compare import Comparison, Side, Verdict, compare, side_of
from echotrial.compare.markdown import table as markdown_table
from echotrial.compare.table import names_record, records_of
from echotrial.corpus.find import obtain
from echotrial.corpus.manifest import Counts, Description
from echotrial.corpus.store import Corpus, CorpusWriter
from echotrial.host import Host, LoadedDetector
from echotrial.trial import conduct
from echotrial.trial.conduct import Request
from echotrial_detectors.noise import fixed

#: Share of full scale that the copy of a corpus with a receiver's offset has; invented.
OFFSET = 0.02


@dataclass(frozen=True)
class Bug:
    """`plant` changes a copied module; with `offset` the records get a receiver's DC offset too."""

    what: str
    module: str
    detector: str
    plant: Callable[[ModuleType], None]
    offset: bool = False


def copy_of(module: str, tag: str) -> ModuleType:
    """A detector's module, loaded once more."""
    spec = importlib.util.find_spec(f"echotrial_detectors.{module}")
    assert spec is not None
    assert spec.origin is not None
    name = f"copied_{module}_{tag}"
    spec = importlib.util.spec_from_file_location(name, spec.origin)
    assert spec is not None
    assert spec.loader is not None
    copied = importlib.util.module_from_spec(spec)
    sys.modules[name] = copied
    spec.loader.exec_module(copied)
    return copied


def interpolation_turned(copied: ModuleType) -> None:
    find = copied.correlation_peaks

    def turned(portion: Any, look: Any, shape: Any, found: Any) -> None:
        find(portion, look, shape, found)
        found.sample[:] = 2 * np.rint(found.sample) - found.sample

    class Reader(copied.Reader):  # type: ignore[name-defined, misc]
        def read(
            self, *rest: Any, **named: Any
        ) -> Any:  # the cosine's place would be the right one
            return super().read(*rest, **{**named, "cosine": False})

    copied.correlation_peaks, copied.Reader = turned, Reader


def _read_wrong(copied: ModuleType, change: Callable[[Any, Any, Any], Any]) -> None:
    """Let the copy's reader change its readings: change(reader, batch, readings)."""

    class Reader(copied.Reader):  # type: ignore[name-defined, misc]
        def read(self, batch: Any, *rest: Any, **named: Any) -> Any:
            return change(self, batch, super().read(batch, *rest, **named))

    copied.Reader = Reader


def one_sample_off(copied: ModuleType) -> None:
    def late(reader: Any, batch: Any, readings: Any) -> Any:
        step = 1 / batch.rate_hz
        readings.second_echo_s += step
        readings.thickness_m += reader.plan.setup.velocity * step / (2 * readings.spans)
        return readings

    _read_wrong(copied, late)


def gate_early(copied: ModuleType) -> None:
    start = copied.gate_start
    copied.gate_start = lambda batch, *rest: start(batch, *rest) - 50e-9 * batch.rate_hz


def dc_left_in(copied: ModuleType) -> None:
    def left_in(samples: Any) -> Any:
        for rows in copied.tiles(len(samples)):
            yield copied.Portion(rows, fixed(samples[rows]), copied.NO_QUADRATURE)

    copied.levelled = left_in


def half_cycle_late(copied: ModuleType) -> None:
    find = copied.crossings

    def late(mark: Any, portion: Any, look: Any, shape: Any, found: Any) -> None:
        find(mark, portion, look, shape, found)
        found.sample[:, 1:] += 0.5 / mark.step

    copied.crossings = late


def velocity_of_the_last_one(copied: ModuleType) -> None:
    """The velocity of the set-up before this one, as from a table read a row too early."""
    plan, seen = copied.plan, [6320.0]  # aluminium, from memory

    def stale(setup: Any, settings: Any) -> Any:
        seen.append(setup.velocity)
        return plan(setup.model_copy(update={"velocity": seen[-2]}), settings)

    copied.plan = stale


def polarity_ignored(copied: ModuleType) -> None:
    plan = copied.plan

    def unsigned(setup: Any, settings: Any) -> Any:
        return replace(plan(setup, settings), sign=0, alternation=0, interface_sign=0)

    copied.plan = unsigned


BUGS = (
    Bug("sign of sub-sample interpolation", "correlation", "Correlation", interpolation_turned),
    Bug("one sample off on the second mark", "envelope", "Envelope", one_sample_off),
    Bug("gate opened 50 ns early", "cepstral", "Cepstral", gate_early),
    Bug("DC not removed", "threshold", "Threshold", dc_left_in, offset=True),
    Bug("zero crossing half a cycle late", "threshold", "Threshold", half_cycle_late),
    Bug("velocity of the wrong set-up", "correlation", "Correlation", velocity_of_the_last_one),
    Bug("polarity ignored", "correlation", "Correlation", polarity_ignored),
)


def detector(copied: ModuleType, bug: Bug) -> LoadedDetector:
    factory = getattr(copied, bug.detector)
    return LoadedDetector(factory.name, factory.version, factory, copied.__name__, None, "")


def with_offset(corpus: Corpus, folder: Path) -> Corpus:
    """The same corpus with a DC offset on every record."""
    wave = np.asarray(corpus.batch(0, len(corpus)).samples) + np.float32(OFFSET)
    counts = corpus.manifest.records
    truth = corpus.truth.drop(columns=["record", "split"])
    with CorpusWriter(
        folder,
        Description(name=f"{corpus.name}-offset", origin="synthetic"),
        corpus.setup,
        corpus.sampling,
        Counts(prove=counts.prove, tune=counts.tune),
        dtype=np.float32,
    ) as writer:
        writer.append(wave, corpus.known, truth)
    return Corpus.open(folder)


def smoke(host: Host) -> list[Corpus]:
    return [obtain(host, e.name, size="smoke") for e in host.corpora.values() if e.default]


def run(corpora: list[Corpus], one: LoadedDetector, folder: Path) -> Side:
    trial = conduct(Request(corpora, [one], {}), folder)
    crashed = trial.readings[trial.readings["status"] == "crashed"]
    if len(crashed):  # then something else than the bug is caught
        raise RuntimeError(f"{one.plugin} crashes: {crashed['note'].iloc[0]}")
    return side_of(trial, one.plugin)


@dataclass(frozen=True)
class Case:
    """What came of one bug."""

    bug: Bug
    records: int
    changed: int
    comparison: Comparison

    @property
    def caught(self) -> bool:
        return self.comparison.exit_code == 1

    @property
    def worst(self) -> list[Any]:
        return self.comparison.of(Verdict.WORSE, Verdict.NEWLY_FAILING)

    @property
    def named(self) -> str:
        """The record that the report names first where the bug was caught."""
        for verdict in self.worst:
            rows = records_of(self.comparison, verdict).head(1).to_dict("records")
            return f"{verdict.corpus} {names_record(rows[0])}" if rows else ""
        return ""


def cases(corpora: list[Corpus], scratch: Path) -> Iterator[Case]:
    odd = [with_offset(c, scratch / f"offset-{i}") for i, c in enumerate(corpora)]
    for i, bug in enumerate(BUGS):
        clean, copied = copy_of(bug.module, f"{i}_clean"), copy_of(bug.module, f"{i}_bug")
        bug.plant(copied)
        on = odd if bug.offset else corpora
        before = run(on, detector(clean, bug), scratch / f"{i}-clean")
        after = run(on, detector(copied, bug), scratch / f"{i}-bug")
        yield Case(bug, *changed(before, after), compare(before, after))


def changed(before: Side, after: Side) -> tuple[int, int]:
    """Records read, and those whose thickness (or whether there is one) changed by over 0.02 um."""
    total = differing = 0
    for name, one in before.corpora.items():
        for detector_name, a in one.answers.items():
            b = after.corpora[name].answers[detector_name]
            total += a.read.size
            differing += int(((a.read != b.read) | (np.abs(a.error - b.error) > 2)).sum())
    return total, differing


def table(found: list[Case]) -> str:
    return markdown_table(
        ("planted", "in", "thickness changed", "caught", "on", "because of", "record named"),
        [
            (
                case.bug.what,
                case.bug.module,
                f"{case.changed} of {case.records}",
                "yes" if case.caught else "NO",
                f"{len(case.worst)} of 3",
                case.worst[0].reason if case.worst else "",
                case.named,
            )
            for case in found
        ],
    )


def main() -> int:
    with tempfile.TemporaryDirectory() as scratch:
        found = list(cases(smoke(hosts.load()), Path(scratch)))
    print("# Bugs planted in copies of shipped detectors\n")
    print("Made by `python -m tests.planted_bugs`: smoke corpora, default margins; copies without")
    print(f"and with the bug. DC: the same records with an offset of {OFFSET:g} of full scale.\n")
    print(table(found))
    return 0 if all(case.caught and case.changed for case in found) else 1


if __name__ == "__main__":
    sys.exit(main())
