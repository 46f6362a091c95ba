"""The picture of a record as SVG or PNG: the same marks in the same colours, without a browser."""

import io
import warnings
from pathlib import Path
from typing import Any, Final

import numpy as np

from echotrial.errors import WrongQuestion
from echotrial.files import new_file
from echotrial.outcome import Outcome
from echotrial.report.palette import BACK_WALL, INTERFACE, LOOKS, TAIL
from echotrial.report.record import Echo, Reading, Record, length

FORMATS: Final = ("svg", "png")
#: plotly's names of symbols in matplotlib's alphabet.
_MARKERS: Final = {
    "circle": "o",
    "triangle-up": "^",
    "diamond": "D",
    "square": "s",
    "x": "X",
    "cross": "P",
    "star": "*",
}
#: One of text as text, a fixed salt: the same record gives the same bytes.
_STYLE: Final[dict[Any, Any]] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "echotrial",
    "font.family": "DejaVu Sans",
    "font.size": 9,
    "axes.spines.top": False,
    "axes.spines.right": False,
}


def save(record: Record, path: Path) -> None:
    """Write the picture in the format that the name of the file says.

    Raises
    ------
    WrongQuestion
        A name that ends neither in .svg nor in .png.
    """
    kind = path.suffix.lower().lstrip(".")
    if kind not in FORMATS:
        raise WrongQuestion(f"{path}: name it .svg or .png (or .html for a page)")
    with new_file(path) as part:
        part.write_bytes(image(record, kind))


def svg(record: Record) -> str:
    """The picture as an SVG element, for a page."""
    text = image(record, "svg").decode("utf-8")
    return text[text.index("<svg") :]


def image(record: Record, kind: str) -> bytes:
    """The picture as the bytes of a file."""
    import matplotlib as mpl
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    with mpl.rc_context(_STYLE), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")  # a name in a rare script
        figure = Figure(figsize=(10, 4.2 + 0.28 * len(record.readings)), layout="constrained")
        FigureCanvasAgg(figure)
        heights = [3, 0.4 + 0.28 * max(len(record.readings), 1)]
        wave, locks = figure.subplots(2, 1, sharex=True, height_ratios=heights)
        _draw_wave(wave, record)
        _draw_locks(locks, record)
        figure.suptitle(record.title, x=0.01, ha="left", fontsize=10, parse_math=False)
        held = io.BytesIO()
        metadata = {"Date": None} if kind == "svg" else {"Software": None}
        figure.savefig(held, format=kind, dpi=150, metadata=metadata)
    return held.getvalue()


def _draw_wave(axes: Any, record: Record) -> None:
    wave = record.wave
    if wave is None:
        axes.text(0.5, 0.5, record.missing, transform=axes.transAxes, ha="center", parse_math=False)
    else:
        axes.plot(wave.time_s * 1e6, wave.samples, color="#333333", linewidth=0.8, label="A-scan")
    numbered = _numbered(record)
    for echo in record.echoes:
        solid = record.stated and echo.stands
        axes.axvline(
            echo.at_us,
            color=BACK_WALL if echo.order else INTERFACE,
            linestyle="-" if solid else ":",
            alpha=1 if solid else 0.5,
            linewidth=1.1,
            gid=f"echo-{echo.order}",
            label=_name(echo, record),
        )
        if echo.order in numbered:
            axes.annotate(str(echo.order), (echo.at_us, 1), xycoords=("data", "axes fraction"),
                          ha="center", va="bottom", fontsize=7, color=BACK_WALL,
                          annotation_clip=True)  # fmt: skip
    if record.echoes and np.isfinite(record.tail_end_us):
        axes.axvspan(
            record.echoes[0].at_us, record.tail_end_us, color=TAIL, alpha=0.1, label="tail", lw=0
        )
    axes.set_ylim(-1.05, 1.05)
    axes.set_ylabel("share of full scale")
    if axes.get_legend_handles_labels()[0]:
        axes.legend(loc="lower right", bbox_to_anchor=(1, 1.04), ncols=5, fontsize=8, frameon=False)
    if record.window_us is not None:
        axes.set_xlim(*record.window_us)


def _numbered(record: Record) -> range:
    """Orders whose number has room above its line: all, or every second, third ..."""
    if record.window_us is None or len(record.echoes) < 3:
        return range(1, len(record.echoes))
    apart = record.echoes[2].at_us - record.echoes[1].at_us
    room = 0.018 * (record.window_us[1] - record.window_us[0])
    return range(1, len(record.echoes), max(1, int(np.ceil(room / apart))))


def _name(echo: Echo, record: Record) -> str | None:
    """Of the first of its kind, for the legend."""
    if not echo.order:
        return "interface echo"
    kind = [e for e in record.echoes if e.order and e.stands == echo.stands]
    name = "back-wall echoes" if record.stated else "back-wall echoes, expected"
    words = name if echo.stands else f"{name}, below tail or noise"
    return words if echo is kind[0] else None


def _draw_locks(axes: Any, record: Record) -> None:
    """A row for each detector: gate, marks, and at the right what it said."""
    for echo in record.echoes:
        axes.axvline(echo.at_us, color=BACK_WALL if echo.order else INTERFACE, alpha=0.25,
                     ls="-" if record.stated and echo.stands else ":", lw=0.9)  # fmt: skip
    if record.echoes and np.isfinite(record.tail_end_us):
        axes.axvspan(record.echoes[0].at_us, record.tail_end_us, color=TAIL, alpha=0.1, lw=0)
    for row, reading in enumerate(record.readings):
        look = LOOKS[Outcome(reading.outcome)]
        axes.plot([reading.gate_start_us, reading.gate_end_us], [row, row], color="#888888",
                  alpha=0.3, linewidth=6, solid_capstyle="butt")  # fmt: skip
        marks = [reading.first_echo_us, reading.second_echo_us]
        axes.plot(marks, [row, row], color=look.colour, linewidth=1.4, markersize=7,
                  marker=_MARKERS.get(look.symbol, "o"), markeredgecolor="#333333",
                  gid=f"lock-{row}")  # fmt: skip
        axes.text(1.01, row, reading.outcome, transform=axes.get_yaxis_transform(), va="center",
                  fontsize=8)  # fmt: skip
        axes.text(1.13, row, _said(reading, record), transform=axes.get_yaxis_transform(),
                  va="center", fontsize=8)  # fmt: skip
    names = [r.detector for r in record.readings]
    axes.set_yticks(range(len(names)), names, parse_math=False)
    axes.set_ylim(max(len(names), 1) - 0.4, -0.6)
    axes.set_xlabel("time, us (grey bars: gates; symbols: locks)")


def _said(reading: Reading, record: Record) -> str:
    """What was read, and how far it is off where there is a wall."""
    if not np.isfinite(reading.thickness_mm):
        return ""
    error = f", {reading.error_um:+.2f} um" if np.isfinite(reading.error_um) else ""
    return f"{length(reading.thickness_mm, record.setup)}{error}"
