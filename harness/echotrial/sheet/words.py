"""Words that stand under every answer, and numbers as people read them."""

import sys
from math import log10
from typing import Final

from rich.console import Console

WIDTH: Final = 100

CAUTIONS: Final = (
    "Evidence from simulation qualifies no procedure.",
    "Verify on reference blocks of the same material, geometry and range.",
    "Follow the applicable code; have qualified personnel approve the procedure.",
)
CAUTION: Final = " ".join(CAUTIONS)


def decibel(ratio: float) -> str:
    """A positive ratio as a level."""
    return f"{20 * log10(ratio):+.1f} dB" if ratio > 0 else "-"


def signed(value: float) -> str:
    """An amplitude with its sign, in per cent of the bare tip's echo."""
    return f"{100 * value:+.1f} %" if abs(value) >= 0.01 else f"{100 * value:+.2g} %"


def console() -> Console:
    """Standard output, never wider than `WIDTH` and colourless where nobody looks."""
    found = Console(file=sys.stdout)
    width = min(found.width, WIDTH) if found.is_terminal else WIDTH
    return Console(file=sys.stdout, width=width)
