"""An A-scan as a text sketch for the terminal, and as an SVG file."""

from collections.abc import Mapping
from html import escape

import numpy as np
from numpy.typing import NDArray

_WIDTH, _ROWS = 84, 9


def sketch(samples: NDArray[np.float32], time_s: NDArray[np.float64]) -> str:
    """Draw the samples as rows of characters, scaled to their own peak; '.' marks no number."""
    columns = np.array_split(np.nan_to_num(samples, posinf=0, neginf=0), _drawn(samples.size))
    peak = max(float(np.max(np.abs(c), initial=0.0)) for c in columns)
    rows = [[" "] * len(columns) for _ in range(_ROWS)]
    for x, column in enumerate(columns):
        scaled = column / peak if peak > 0 else column
        high, low = _row(float(scaled.max())), _row(float(scaled.min()))
        for y in range(high, low + 1):
            rows[y][x] = "|" if high < low else "-"
    for x, column in enumerate(np.array_split(samples, len(columns))):
        if not np.isfinite(column).all():
            rows[_ROWS // 2][x] = "."
    label = f"{time_s[0] * 1e6:.3f} us to {time_s[-1] * 1e6:.3f} us, peak {peak:.3g}"
    return "\n".join([*("  " + "".join(r).rstrip() for r in rows), f"  {label}"])


def _drawn(size: int) -> int:
    return min(_WIDTH, size)


def _row(value: float) -> int:
    return round((1 - value) / 2 * (_ROWS - 1))


def svg(
    samples: NDArray[np.float32],
    time_s: NDArray[np.float64],
    title: str,
    marks: Mapping[str, float],
) -> str:
    """Draw the samples over time as an SVG text; `marks` (name -> seconds) become dashed lines."""
    width, height, edge = 900, 300, 40
    span_s = max(float(time_s[-1] - time_s[0]), 1e-12)
    finite = np.isfinite(samples)
    peak = float(np.max(np.abs(samples[finite]), initial=1e-30))
    x = edge + (width - 2 * edge) * (time_s - time_s[0]) / span_s
    y = height / 2 - (height / 2 - edge) * samples / peak
    points = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x[finite], y[finite], strict=True))
    lines = []
    for name, at in marks.items():
        if np.isfinite(at):
            place = edge + (width - 2 * edge) * (at - time_s[0]) / span_s
            lines.append(
                f'<line x1="{place:.1f}" x2="{place:.1f}" y1="{edge}" y2="{height - edge}" '
                f'stroke="#b3261e" stroke-dasharray="4 3"/><text x="{place + 3:.1f}" '
                f'y="{edge + 12}" fill="#b3261e">{escape(name)}</text>'
            )
    axis = f"{time_s[0] * 1e6:.3f} us to {time_s[-1] * 1e6:.3f} us, peak {peak:.3g} of full scale"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'font-family="sans-serif" font-size="12"><rect width="100%" height="100%" fill="white"/>'
        f'<text x="{edge}" y="20">{escape(title)}</text>'
        f'<line x1="{edge}" x2="{width - edge}" y1="{height / 2}" y2="{height / 2}" '
        f'stroke="#999999"/>'
        f'<polyline points="{points}" fill="none" stroke="#1f3a5f"/>{"".join(lines)}'
        f'<text x="{edge}" y="{height - 12}">{escape(axis)}</text></svg>\n'
    )
