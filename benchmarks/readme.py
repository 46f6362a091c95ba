"""Write the figures of README.md from a trial: ``python -m benchmarks.readme TRIAL``."""

import io
import re
import sys
from pathlib import Path

from echotrial import open_trial
from echotrial.report.terminal import WIDTH, show_trial
from rich.console import Console

README = Path(__file__).parents[1] / "README.md"
BEGIN, END = "<!-- figures: begin -->", "<!-- figures: end -->"


def figures(folder: Path) -> str:
    """What `echotrial run` printed, with its date and machine."""
    trial = open_trial(folder)
    text = io.StringIO()
    show_trial(trial, Console(file=text, width=WIDTH))
    shown = text.getvalue().split("\nEvidence from simulation")[0].strip()
    shown = "\n".join(line.rstrip() for line in shown.splitlines())
    machine = trial.info["machine"]
    return (
        f"Made by `echotrial run` (echotrial {trial.info['echotrial']}, "
        f"{trial.info['started'][:10]}, Python {machine['python']}, {machine['processor']}, two "
        "cores) and put here by `python -m benchmarks.readme TRIAL`; rates in per cent of the "
        "walls in range, with 95 % intervals:\n\n"
        f"```text\n{shown}\n```"
    )


def main(folder: str) -> None:
    """Replace the block between the two marks."""
    text = README.read_text(encoding="utf-8")
    block = f"{BEGIN}\n{figures(Path(folder))}\n{END}"
    pattern = f"{re.escape(BEGIN)}.*{re.escape(END)}"
    README.write_text(re.sub(pattern, lambda _: block, text, flags=re.DOTALL), encoding="utf-8")


if __name__ == "__main__":
    main(*sys.argv[1:])
