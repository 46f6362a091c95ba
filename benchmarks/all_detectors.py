"""Every detector on the ``prove`` split of every shipped spec: the table of evidence.

``python -m benchmarks.all_detectors [SIZE] [--spec NAME]... [--out FILE]`` conducts the trial and
writes the table, by default to benchmarks/evidence/detectors.md. SIZE is that of ``echotrial run``:
smoke, run or standard.
"""

import argparse
import math
import os
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

import echotrial_corpora
import pandas as pd
from echotrial import open_trial
from echotrial.cli import main as echotrial
from echotrial.quantities import parse
from echotrial.trial import Trial

SPECS = sorted(p.stem for p in (Path(echotrial_corpora.__file__).parent / "specs").glob("*.toml"))
EVIDENCE = Path(__file__).parent / "evidence" / "detectors.md"
#: A stratum's bias counts from so many hits on.
HITS = 100
HEADINGS = (
    "detector", "hit", "off", "false lock", "silent", "dry phantom", "wet-tip phantom", "rms um",
    "bias um", "worst bias / tol", "thin limit wl", "us/record",
)  # fmt: skip

ABOUT = """\
Rates are of the walls in range (phantoms: of the records without a wall), with Wilson's 95 %
intervals in per cent. *rms* is over hit, off and undecided readings. *worst bias / tol*: bias of
the hits in the worst stratum with more than {hits} of them, over the smallest tolerance there is;
a quarter or less is wanted. *thin limit*: see the README. Settings are the defaults; mark offsets
come from the tune split. A simulated A-scan qualifies no procedure.
"""


def conduct(specs: Sequence[str], size: str, folder: Path, workers: int, *more: str) -> Trial:
    """Run all detectors on the specs' corpora, building what is not there; `more`: options."""
    where = ["--out", str(folder), "--workers", str(workers)]
    try:
        echotrial(["run", *specs, "--size", size, *where, *more])
    except SystemExit as end:
        if end.code not in (0, None):
            raise
    return open_trial(folder)


def report(trial: Trial, command: str) -> str:
    """The whole page of evidence."""
    machine = trial.info["machine"]
    head = (
        f"# All detectors on all shipped specs\n\nMade by `{command}` on "
        f"{trial.info['started'][:10]}: echotrial {trial.info['echotrial']}, Python "
        f"{machine['python']}, {machine['processor']}, {os.cpu_count()} cores.\n\n"
    )
    return head + ABOUT.format(hits=HITS) + "".join(_section(trial, c) for c in _corpora(trial))


def _corpora(trial: Trial) -> list[dict[str, object]]:
    return list(trial.info["corpora"])


def _section(trial: Trial, corpus: dict[str, object]) -> str:
    scores = trial.scores[trial.scores["corpus"] == corpus["name"]]
    lines = [f"\n## {corpus['name']}: {corpus['prove']} prove records\n"]
    lines += ["| " + " | ".join(HEADINGS) + " |", "|" + "---|" * len(HEADINGS)]
    for detector in scores["detector"].unique():
        own = scores[scores["detector"] == detector]
        cells = [str(detector), *_cells(trial, corpus, own)]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def _cells(trial: Trial, corpus: dict[str, object], own: pd.DataFrame) -> Iterator[str]:
    for measure in ("hit", "off", "false lock", "dropout"):
        yield rate(_one(own, "whole", measure))
    for kind in ("dry", "wet tip"):
        yield rate(_one(own, "no wall", "phantom", kind))
    yield number(_one(own, "whole", "rms"), "{:.2f}")
    yield number(_one(own, "whole", "bias"), "{:+.2f}")
    yield worst_bias(own, _least_tolerance_um(corpus))
    yield number(_one(own, "whole", "thin-wall limit", unit="wavelengths"), "{:.2f}")
    took = [
        1e6 * t["seconds"]
        for t in trial.info["seconds_per_record"]
        if (t["corpus"], t["detector"]) == (corpus["name"], own["detector"].iloc[0])
    ]
    yield f"{took[0]:.0f}" if took and math.isfinite(took[0]) else "-"


def _one(
    own: pd.DataFrame, stratum: str, measure: str, bin_: str | None = None, unit: str | None = None
) -> pd.Series | None:
    rows = own[(own["stratum"] == stratum) & (own["measure"] == measure)]
    rows = rows[rows["bin"] == bin_] if bin_ else rows
    rows = rows[rows["unit"] == unit] if unit else rows
    return None if rows.empty else rows.iloc[0]


def rate(row: pd.Series | None) -> str:
    """Numerator over denominator, per cent, interval."""
    if row is None or not row["denominator"] > 0:
        return "-"
    return (
        f"{row['numerator']:.0f}/{row['denominator']:.0f} {100 * row['value']:.3g} % "
        f"({100 * row['low']:.3g} to {100 * row['high']:.3g})"
    )


def number(row: pd.Series | None, form: str) -> str:
    """The value, or a dash where there is none."""
    return "-" if row is None or pd.isna(row["value"]) else form.format(row["value"])


def worst_bias(own: pd.DataFrame, tolerance_um: float) -> str:
    """Greatest bias in any stratum with enough hits, over the tolerance, and which it is."""
    rows = own[(own["measure"] == "bias") & (own["unit"] == "um") & (own["denominator"] > HITS)]
    rows = rows[rows["value"].notna()]
    if rows.empty:
        return "-"
    worst = rows.loc[rows["value"].abs().idxmax()]
    where = worst["stratum"] if pd.isna(worst["bin"]) else f"{worst['stratum']} {worst['bin']}"
    return f"{abs(worst['value']) / tolerance_um:.2f} ({where})"


def _least_tolerance_um(corpus: dict[str, object]) -> float:
    setup = corpus["setup"]
    assert isinstance(setup, dict)
    return 1e6 * parse(setup["tolerance"]["absolute"], "length")


def main(arguments: Sequence[str] | None = None) -> None:
    """Conduct the trial and write the page under a temporary name first."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.all_detectors")
    parser.add_argument("size", nargs="?", default="run", help="smoke, run or standard")
    parser.add_argument("--spec", action="append", choices=SPECS, help="only this one (repeatable)")
    parser.add_argument("--out", type=Path, default=EVIDENCE)
    parser.add_argument("--workers", type=int, default=os.cpu_count())
    asked = parser.parse_args(arguments)
    specs = asked.spec or SPECS
    command = f"python -m benchmarks.all_detectors {asked.size}"
    command += "".join(f" --spec {name}" for name in asked.spec or ())
    with tempfile.TemporaryDirectory() as scratch:
        trial = conduct(specs, asked.size, Path(scratch) / "trial", asked.workers)
        text = report(trial, command)
    part = asked.out.with_suffix(".part")
    part.write_text(text, encoding="utf-8")
    part.replace(asked.out)


if __name__ == "__main__":
    main()
