"""Compares ratios with committed ones: a part that has grown beyond the margin is told."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

FILE = Path(__file__).parents[1] / ".ci" / "benchmark-ratios.toml"
#: A ratio may grow so many times before it is told. Runs on one machine differed by up to 1.6 times
#: in the ratios of some microseconds.
MARGIN = 3.0
#: The last digit of the committed file: growth below it is rounding.
LEAST = 0.001


@dataclass(frozen=True)
class Verdict:
    """0 within the margin, 1 something is slower, 3 something was not measured."""

    exit_code: int
    text: str


def compared(now: Mapping[str, float], known: Mapping[str, Any]) -> Verdict:
    """Hold the ratios of today against those of the committed file."""
    margin, before = float(known["margin"]), known["ratios"]
    rows, slower = [f"{'ratio':58s} {'committed':>9s} {'now':>8s} {'now/then':>8s}"], []
    for name, ratio in now.items():
        if name not in before:
            rows.append(f"{name:58s} {'new':>9s} {ratio:8.2f}")
            continue
        grown = max(ratio, LEAST) / max(before[name], LEAST)
        is_slower = not grown <= margin
        slower += [name] if is_slower else []
        mark = " SLOWER" if is_slower else ""
        rows.append(f"{name:58s} {before[name]:9.2f} {ratio:8.2f} {grown:8.2f}{mark}")
    missing = sorted(set(before) - set(now))
    rows += [f"{name:58s} {before[name]:9.2f} {'missing':>8s}" for name in missing]
    if slower:
        rows.append(
            f"slower by more than {margin:g} times: {', '.join(slower)}; if that is meant, accept "
            "it with `python -m benchmarks.ratios --accept` and say why in the commit"
        )
    elif missing:
        rows.append(f"not measured: {', '.join(missing)}")
    else:
        rows.append(f"no ratio has grown by more than {margin:g} times")
    return Verdict(1 if slower else 3 if missing else 0, "\n".join(rows))


def committed(file: Path = FILE) -> dict[str, Any]:
    """The committed ratios and their margin."""
    return tomllib.loads(file.read_text(encoding="utf-8"))


def accept(ratios: Mapping[str, float], file: Path = FILE) -> None:
    """Write the ratios of today as those to compare with."""
    lines = [
        "# Written by `python -m benchmarks.ratios --accept`; .ci/run compares with it.",
        "# Cost of a part over the cost of the named peer, both measured in one run.",
        f"margin = {MARGIN}",
        "",
        "[ratios]",
        *(f'"{name}" = {ratio:.3f}' for name, ratio in ratios.items()),
    ]
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
