"""The picture of a record: its A-scan with the true echoes, and below it each detector's locks."""

import html
from typing import Any, Final

import numpy as np

from echotrial.outcome import Outcome
from echotrial.report.palette import BACK_WALL, INTERFACE, LOOKS, TAIL
from echotrial.report.record import Echo, Reading, Record

#: Name of the trace whose samples the page fills in.
A_SCAN: Final = "A-scan"
_INK, _FAINT = "#333333", "#888888"


def as_text(text: object) -> str:
    """A name as plotly shows it letter by letter: it would take ``<b>`` for a command."""
    return html.escape(str(text), quote=False)


def picture(record: Record, *, samples: bool = True) -> dict[str, Any]:
    """Give the picture as plotly data: ``data`` and ``layout``, times in microseconds.

    Parameters
    ----------
    record
        With or without its A-scan.
    samples
        False leaves the A-scan's heights out, for a page that fills them in.
    """
    traces = [*_echo_traces(record), *_wave_trace(record, samples), *_locks(record)]
    return {"data": traces, "layout": _layout(record)}


def figure(record: Record) -> Any:
    """The picture as a plotly figure, for a notebook or a page of its own."""
    from plotly.graph_objects import Figure

    made = Figure(picture(record))
    made.update_layout(title_text=as_text(record.title), template="plotly_white", height=460)
    return made


def _wave_trace(record: Record, samples: bool) -> list[dict[str, Any]]:
    wave = record.wave
    if wave is None:
        return []
    trace: dict[str, Any] = {
        "type": "scatter",
        "mode": "lines",
        "name": A_SCAN,
        "x0": wave.start_s * 1e6,
        "dx": 1e6 / wave.rate_hz,
        "line": {"width": 1, "color": _INK},
        "hovertemplate": "%{x:.4f} us: %{y:.3f}<extra></extra>",
    }
    if samples:
        trace["y"] = np.round(wave.samples.astype(np.float64), 5)
    return [trace]


def _echo_traces(record: Record) -> list[dict[str, Any]]:
    """Vertical lines over the A-scan; dashed where the echo does not stand, or is only expected."""
    groups = {
        "interface echo": [e for e in record.echoes if e.order == 0],
        "back-wall echoes": [e for e in record.echoes if e.order and e.stands],
        "back-wall echoes below tail or noise": [
            e for e in record.echoes if e.order and not e.stands
        ],
    }
    how = "" if record.stated else " (expected from the stated wall)"
    return [
        _lines(name + how, echoes, record.stated and "below" not in name)
        for name, echoes in groups.items()
        if echoes
    ]


def _lines(name: str, echoes: list[Echo], solid: bool) -> dict[str, Any]:
    colour = BACK_WALL if echoes[0].order else INTERFACE
    at = [round(e.at_us, 5) for e in echoes]
    return {
        "type": "scatter",
        "mode": "lines",
        "name": name,
        "x": [t for time in at for t in (time, time, None)],
        "y": [-1, 1, None] * len(at),
        "line": {"width": 1.3, "color": colour, "dash": "solid" if solid else "dot"},
        "opacity": 1 if solid else 0.55,
        "text": [t for e in echoes for t in (e.name, e.name, "")],
        "hovertemplate": "%{text}: %{x:.4f} us<extra></extra>",
    }


def _locks(record: Record) -> list[dict[str, Any]]:
    """The strip below: a row for each detector, its gate as a bar, its marks as symbols."""
    rows = list(reversed(record.readings))
    places = [as_text(r.detector) for r in rows]
    gates = [
        t
        for r in rows
        for t in (_finite(r.gate_start_us), _finite(r.gate_end_us), None)
    ]  # fmt: skip
    gate = {
        "type": "scatter",
        "mode": "lines",
        "name": "gate",
        "x": gates,
        "y": [p for place in places for p in (place, place, None)],
        "yaxis": "y2",
        "line": {"width": 7, "color": _FAINT},
        "opacity": 0.3,
        "hovertemplate": "gate: %{x:.4f} us<extra></extra>",
    }
    silent = [r for r in rows if not np.isfinite([r.first_echo_us, r.second_echo_us]).any()]
    return [gate, *(_lock(r) for r in rows if r not in silent), *_silences(silent, record)]


def _silences(readings: list[Reading], record: Record) -> list[dict[str, Any]]:
    """The outcome of those that gave no mark, at the left edge."""
    if not readings or record.window_us is None:
        return []
    left = round(record.window_us[0], 4)
    return [
        {
            "type": "scatter",
            "mode": "text",
            "name": "no mark",
            "x": [left] * len(readings),
            "y": [as_text(r.detector) for r in readings],
            "yaxis": "y2",
            "text": [f" {r.outcome}" for r in readings],
            "textposition": "middle right",
            "textfont": {"size": 11},
            "showlegend": False,
            "hoverinfo": "skip",
        }
    ]


def _lock(reading: Reading) -> dict[str, Any]:
    look = LOOKS[Outcome(reading.outcome)]
    name = as_text(reading.detector)
    read = reading.thickness_mm
    said = f"{read:.4f} mm" if np.isfinite(read) else f"no reading: {as_text(reading.reason)}"
    return {
        "type": "scatter",
        "mode": "lines+markers+text",
        "name": name,
        "x": [_finite(reading.first_echo_us), _finite(reading.second_echo_us)],
        "y": [name, name],
        "yaxis": "y2",
        "showlegend": False,
        "line": {"width": 1.5, "color": look.colour},
        "marker": {
            "symbol": look.symbol,
            "size": 10,
            "color": look.colour,
            "line": {"width": 1, "color": _INK},
        },
        "text": ["", f" {reading.outcome}"],
        "textposition": "middle right",
        "textfont": {"size": 11},
        "cliponaxis": False,
        "hovertemplate": f"%{{x:.4f}} us<br>{reading.outcome}<br>%{{customdata}}<extra></extra>",
        "customdata": [said, said],
    }


def _finite(value: float) -> float | None:
    return round(float(value), 5) if np.isfinite(value) else None


def _layout(record: Record) -> dict[str, Any]:
    names = [as_text(r.detector) for r in reversed(record.readings)]
    window = record.window_us
    return {
        "xaxis": {
            "title": {"text": "time, us"},
            "anchor": "y2",
            "range": None if window is None else [round(t, 4) for t in window],
            "zeroline": False,
        },
        "yaxis": {
            "domain": [0.42, 1],
            "range": [-1.05, 1.05],
            "title": {"text": "share of full scale"},
        },
        "yaxis2": {
            "domain": [0, 0.36],
            "type": "category",
            "categoryorder": "array",
            "categoryarray": names,
            "range": [-0.6, max(len(names), 1) - 0.4],
            "automargin": True,
            "showgrid": False,
            "fixedrange": True,
        },
        "shapes": [*_tail(record), *_echo_shapes(record)],
        "annotations": _tail_words(record),
        "legend": {"orientation": "h", "y": 1.02, "yanchor": "bottom", "x": 0},
        "margin": {"t": 60, "r": 20, "b": 45, "l": 60},
        "hovermode": "closest",
    }


def _tail(record: Record) -> list[dict[str, Any]]:
    """A shade from the interface echo to the end of its tail, over both parts."""
    if not (record.echoes and np.isfinite(record.tail_end_us)):
        return []
    return [
        {
            "type": "rect",
            "xref": "x",
            "yref": "paper",
            "x0": round(record.echoes[0].at_us, 5),
            "x1": round(record.tail_end_us, 5),
            "y0": 0,
            "y1": 1,
            "fillcolor": TAIL,
            "opacity": 0.10,
            "line": {"width": 0},
            "layer": "below",
        }
    ]


def _echo_shapes(record: Record) -> list[dict[str, Any]]:
    """Faint lines through the strip of locks, where true echoes stand."""
    return [
        {
            "type": "line",
            "xref": "x",
            "yref": "paper",
            "x0": round(e.at_us, 5),
            "x1": round(e.at_us, 5),
            "y0": 0,
            "y1": 0.36,
            "opacity": 0.4,
            "line": {"width": 1, "color": BACK_WALL if e.order else INTERFACE,
                     "dash": "solid" if record.stated and e.stands else "dot"},
            "layer": "below",
        }
        for e in record.echoes
    ]  # fmt: skip


def _tail_words(record: Record) -> list[dict[str, Any]]:
    return [
        {
            "x": shape["x1"],
            "xref": "x",
            "y": 0.42,
            "yref": "paper",
            "yanchor": "bottom",
            "xanchor": "right",
            "text": "tail",
            "showarrow": False,
            "font": {"size": 11},
        }
        for shape in _tail(record)
    ]
