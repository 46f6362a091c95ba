"""An A-scan with its echoes marked, as an SVG drawing that prints as well as it shows."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Place = Callable[[float], float]
WIDTH, HEIGHT, LEFT, BOTTOM, TOP = 720, 168, 46, 30, 38
#: Room that a word takes, and rows of words above the drawing.
WORD, ROWS = 56, 3
INK: Final = "#222"


@dataclass(frozen=True)
class Mark:
    """A line across the drawing at a time, with a word on top."""

    time_s: float
    word: str
    dashed: bool = False


def drawing(
    time_s: Floats, samples: Floats, marks: Sequence[Mark], title: str = "", shade_to_s: float = 0.0
) -> str:
    """Draw samples (m,), full scale 1, over time in us; shade from the start to `shade_to_s`."""
    low, high = float(time_s[0]), float(time_s[-1])

    def x(t: float) -> float:
        return LEFT + (t - low) / (high - low) * (WIDTH - LEFT - 8)

    def y(a: float) -> float:
        return TOP + (1 - a) / 2 * (HEIGHT - TOP - BOTTOM)

    points = " ".join(f"{x(t):.1f},{y(a):.1f}" for t, a in zip(time_s, samples, strict=True))
    shade = ""
    if low < shade_to_s:
        width = x(min(shade_to_s, high)) - LEFT
        shade = (
            f'<rect x="{LEFT}" y="{TOP}" width="{width:.1f}" '
            f'height="{HEIGHT - TOP - BOTTOM}" fill="#0001"/>'
        )
    inner = "".join(_marks([(x(m.time_s), m) for m in marks if low <= m.time_s <= high]))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'font-family="sans-serif" font-size="10"><title>{escape(title)}</title>{shade}'
        f"{_axes(low, high, x, y)}{inner}"
        f'<polyline points="{points}" fill="none" stroke="{INK}" stroke-width="1"/></svg>'
    )


def _marks(placed: Sequence[tuple[float, Mark]]) -> list[str]:
    """Lines with their words; a word that would touch the one before stands a row higher."""
    found, last, row = [], -1e9, 0
    for x, mark in sorted(placed, key=lambda p: p[0]):
        row = (row + 1) % ROWS if x - last < WORD else 0
        found.append(_mark(x, mark, row))
        last = x
    return found


def _mark(x: float, mark: Mark, row: int) -> str:
    dash = ' stroke-dasharray="3 3"' if mark.dashed else ""
    return (
        f'<line x1="{x:.1f}" x2="{x:.1f}" y1="{TOP}" y2="{HEIGHT - BOTTOM}" stroke="#06c"{dash}/>'
        f'<text x="{x:.1f}" y="{TOP - 4 - 11 * row}" text-anchor="middle" fill="#06c">'
        f"{escape(mark.word)}</text>"
    )


def _axes(low: float, high: float, x: Place, y: Place) -> str:
    step = _step((high - low) * 1e6)
    ticks = np.arange(np.ceil(low * 1e6 / step), np.floor(high * 1e6 / step) + 1) * step
    lines = [
        f'<line x1="{LEFT}" x2="{WIDTH - 8}" y1="{y(a):.1f}" y2="{y(a):.1f}" stroke="#ccc"/>'
        f'<text x="{LEFT - 4}" y="{y(a) + 3:.1f}" text-anchor="end">{100 * a:.0f} %</text>'
        for a in (-1.0, 0.0, 1.0)
    ]
    lines += [
        f'<text x="{x(t * 1e-6):.1f}" y="{HEIGHT - BOTTOM + 14}" text-anchor="middle">'
        f"{t:.6g}</text>"
        for t in ticks
    ]
    lines.append(f'<text x="{WIDTH - 8}" y="{HEIGHT - 2}" text-anchor="end">us</text>')
    return "".join(lines)


def _step(span: float) -> float:
    rough = span / 8
    power = 10.0 ** np.floor(np.log10(rough))
    return float(next(m * power for m in (1, 2, 5, 10) if m * power >= rough))
