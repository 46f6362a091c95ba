"""Runs the trial that a guard needs, and its check or its acceptance."""

import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from echotrial import host as hosts
from echotrial.compare import Rules, Side, side_of
from echotrial.corpus.find import obtain
from echotrial.corpus.store import Corpus
from echotrial.errors import NotToBeHad, WrongQuestion
from echotrial.guard.baseline import Baseline, read_baseline, write_baseline
from echotrial.guard.report import Report, check
from echotrial.host import Host, LoadedDetector
from echotrial.trial import Trial, conduct
from echotrial.trial.conduct import Progress, Request

SIZE = "smoke"


@dataclass(frozen=True)
class Wanted:
    """What to run.

    Attributes
    ----------
    corpora
        Folders, spec files or names; none: the shipped synthetic ones.
    detectors
        None: those of the baseline, and all there are where a new one is accepted.
    plugins
        Python files with detectors.
    settings
        Detector -> settings other than the defaults.
    size, seed
        Of synthetic corpora; None: those of the baseline, else `SIZE` and 0.
    workers
        Processes; 0 reads in this one.
    out
        Where to keep the trial; None: nowhere.
    use_entry_points
        Whether installed plugins are loaded.
    """

    corpora: Sequence[str] = ()
    detectors: Sequence[str] = ()
    plugins: Sequence[Path] = ()
    settings: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    size: str | None = None
    seed: int | None = None
    workers: int = 0
    out: Path | None = None
    use_entry_points: bool = True


def guard(
    path: Path, wanted: Wanted, rules: Rules | None = None, progress: Progress | None = None
) -> Report:
    """Run the trial and compare it with the baseline in `path`.

    Raises
    ------
    WrongQuestion, NotToBeHad
        No baseline, a damaged one, or one of another format.
    """
    baseline = _existing(path)
    host = _host(wanted)
    detectors = _available(host, wanted.detectors or list(baseline.side.detectors))
    with _trial(host, detectors, wanted, baseline, progress) as trial:
        label = "this trial" if wanted.out is None else str(wanted.out)
        return check(side_of(trial, label), baseline, rules, _troubles(host))


def accept(
    path: Path,
    because: str,
    wanted: Wanted,
    rules: Rules | None = None,
    progress: Progress | None = None,
) -> tuple[Baseline, Report | None]:
    """Run the trial and make it the baseline; gives it and how it compares with the one before.

    Raises
    ------
    WrongQuestion
        No reason given.
    NotToBeHad
        A plugin failed to load: what it would have answered would be missing.
    """
    if not because.strip():
        raise WrongQuestion("--because: a baseline is accepted for a reason; say it")
    host = _host(wanted)
    troubles = _troubles(host)
    if troubles:
        raise NotToBeHad(f"no baseline written: {'; '.join(troubles)}")
    before, why_not = _former(path)
    with _trial(host, host.chosen(wanted.detectors), wanted, before, progress) as trial:
        side = side_of(trial, "this trial")
        report = None if before is None else check(side, before, rules)
        found = _new(side, trial, because, wanted, before, _rows(report, why_not))
    write_baseline(path, found)
    return found, report


def _existing(path: Path) -> Baseline:
    if not path.exists():
        raise WrongQuestion(
            f"{path}: no such baseline; "
            f'`echotrial guard --baseline {path} --accept --because "..."` makes the first'
        )
    return read_baseline(path)


def _former(path: Path) -> tuple[Baseline | None, str]:
    """The baseline before, or why there is none to compare with."""
    if not path.exists():
        return None, "the first baseline"
    try:
        return read_baseline(path), ""
    except (WrongQuestion, NotToBeHad) as error:
        return None, f"the baseline before could not be read: {error}"


def _host(wanted: Wanted) -> Host:
    return hosts.load(wanted.plugins, use_entry_points=wanted.use_entry_points)


def _troubles(host: Host) -> tuple[str, ...]:
    return tuple(f"plugin {f.plugin} failed to load: {f.reason}" for f in host.failures)


def _available(host: Host, names: Iterable[str]) -> list[LoadedDetector]:
    """Those that exist; the comparison names the others."""
    found = [host.detectors[name] for name in names if name in host.detectors]
    if not found:
        raise NotToBeHad(
            f"none of the baseline's detectors ({', '.join(names)}) is here: "
            + ("; ".join(_troubles(host)) or "name their files with --plugin")
        )
    return found


@contextmanager
def _trial(
    host: Host,
    detectors: Sequence[LoadedDetector],
    wanted: Wanted,
    baseline: Baseline | None,
    progress: Progress | None,
) -> Iterator[Trial]:
    corpora = _corpora(host, wanted, baseline)
    request = Request(corpora, detectors, wanted.settings, workers=wanted.workers)
    with tempfile.TemporaryDirectory(prefix="echotrial-guard-") as scratch:
        yield conduct(request, wanted.out or Path(scratch) / "trial", progress)


def _corpora(host: Host, wanted: Wanted, baseline: Baseline | None) -> list[Corpus]:
    size, seed = _size_and_seed(wanted, baseline)
    named = wanted.corpora or [entry.name for entry in host.corpora.values() if entry.default]
    return [obtain(host, what, seed=seed, size=size, workers=wanted.workers) for what in named]


def _size_and_seed(wanted: Wanted, baseline: Baseline | None) -> tuple[str, int]:
    size = wanted.size or (baseline.size if baseline else SIZE)
    seed = wanted.seed if wanted.seed is not None else (baseline.seed if baseline else 0)
    return size, seed


def _new(
    side: Side,
    trial: Trial,
    because: str,
    wanted: Wanted,
    before: Baseline | None,
    verdicts: tuple[Mapping[str, str], ...],
) -> Baseline:
    size, seed = _size_and_seed(wanted, before)
    made_by = {"echotrial": trial.info["echotrial"], **trial.info["machine"]}
    date = datetime.now(UTC).date().isoformat()
    return Baseline(" ".join(because.split()), date, made_by, size, seed, side, verdicts)


def _rows(report: Report | None, why_not: str) -> tuple[Mapping[str, str], ...]:
    if report is None:
        return ({"corpus": "", "detector": "", "verdict": "not comparable", "why": why_not},)
    return tuple(
        {"corpus": v.corpus, "detector": v.detector, "verdict": str(v.verdict), "why": v.reason}
        for v in report.comparison.verdicts
    )
