"""What is in a corpus: the figures, and a page of sample A-scans with the truth marked."""

import html
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from echotrial import quantities
from echotrial.corpus.check import clipped_records, signal_heights
from echotrial.corpus.store import Corpus
from echotrial.errors import NotToBeHad, WrongQuestion
from echotrial.files import write_text
from echotrial.setup import Setup

Floats = NDArray[np.float64]
Spread = tuple[float, float, float]  # smallest (or 5th percentile), median, largest (or 95th)
SAMPLES = 12  # A-scans on a page
_COLUMNS = 3
_SUMMED = ("thickness_mm", "kind", "wall_wavelengths", "snr_db", "echo_snr_db")


@dataclass(frozen=True)
class Summary:
    """Figures of a corpus; spreads are NaN where the truth does not say.

    Attributes
    ----------
    wall_m, wavelengths
        Smallest, median and largest wall, in metres and in wavelengths.
    snr_db, echo_snr_db
        5th percentile, median and 95th percentile, of the record and of its first back-wall echo.
    clipped, dry, wet_tip, outside
        Shares of all records; `outside` of the wall records.
    """

    records: int
    prove: int
    tune: int
    specimens: int
    walls: int
    wall_m: Spread
    wavelengths: Spread
    snr_db: Spread
    echo_snr_db: Spread
    clipped: float
    dry: float
    wet_tip: float
    outside: float


def summary(corpus: Corpus) -> Summary:
    """Count and measure what is in a corpus; reads every record once or twice."""
    truth, setup, counts = corpus.truth_of(*_SUMMED), corpus.setup, corpus.manifest.records
    wall_m = truth["thickness_mm"].to_numpy(dtype=np.float64) / 1e3
    walls = wall_m[np.isfinite(wall_m)]
    low, high = setup.wall_range
    kind = truth.get("kind", pd.Series("", index=truth.index))
    lengths = truth.get("wall_wavelengths", pd.Series(wall_m / setup.wavelength_m))
    return Summary(
        records=len(corpus),
        prove=counts.prove,
        tune=counts.tune,
        specimens=np.unique(corpus.specimens()).size,
        walls=walls.size,
        wall_m=_spread(wall_m, 0, 100),
        wavelengths=_spread(lengths, 0, 100),
        snr_db=_spread(truth.get("snr_db", ()), 5, 95),
        echo_snr_db=_spread(truth.get("echo_snr_db", ()), 5, 95),
        clipped=float(clipped_records(corpus, signal_heights(corpus)[1]).mean()),
        dry=float((kind == "dry").mean()),
        wet_tip=float((kind == "wet tip").mean()),
        outside=float(((walls < low) | (walls > high)).mean()) if walls.size else np.nan,
    )


def _spread(values: Any, low: float, high: float) -> Spread:
    known = np.asarray(values, dtype=np.float64)
    known = known[np.isfinite(known)]
    if not known.size:
        return (np.nan, np.nan, np.nan)
    first, middle, last = np.percentile(known, [low, 50, high])
    return (float(first), float(middle), float(last))


def lines(corpus: Corpus, found: Summary) -> list[str]:
    """The summary as text for a terminal."""
    unit, manifest, setup = corpus.setup.length_unit, corpus.manifest, corpus.setup
    walls = tuple(quantities.convert(x, "length", unit) for x in found.wall_m)
    limits = tuple(quantities.convert(x, "length", unit) for x in setup.wall_range)
    rate = quantities.convert(corpus.rate_hz, "frequency", "MHz")
    span = corpus.n_samples / corpus.rate_hz * 1e6
    words = [
        ("name", f"{corpus.name} ({corpus.origin}), identity {corpus.identity[:10]}"),
        ("about", " ".join(manifest.about.split())),
        ("licence", manifest.licence),
        ("source", manifest.source),
        ("citation", manifest.citation),
        ("suspect", " ".join(manifest.suspect.split())),
        ("records", f"{found.prove} prove, {found.tune} tune, of {found.specimens} specimens"),
        ("sampling", f"{corpus.n_samples} samples at {rate:.6g} MHz, {span:.4g} us"),
        ("set-up", _setup_line(setup)),
        ("beam", _beam_line(setup)),
        ("wall range", f"{limits[0]:.4g} to {limits[1]:.4g} {unit}"),
        ("walls", f"{found.walls}, {_text(walls, unit)}" if found.walls else "none"),
        ("", f"{_text(found.wavelengths, 'wavelengths')}" if found.walls else ""),
        ("SNR", _text(found.snr_db, "dB", "5 %, median, 95 %")),
        ("echo SNR", _text(found.echo_snr_db, "dB", "5 %, median, 95 %")),
        (
            "shares",
            f"clipped {found.clipped:.1%}, dry {found.dry:.1%}, wet tip {found.wet_tip:.1%}, "
            f"walls outside the range {found.outside:.1%}",
        ),
    ]
    return [line for key, text in words if text for line in _wrapped(key, text)]


def _wrapped(key: str, text: str) -> list[str]:
    return textwrap.wrap(
        text, 100, initial_indent=f"{key:<12}", subsequent_indent=12 * " ", break_on_hyphens=False
    )


def _text(spread: Sequence[float], unit: str, order: str = "least, median, most") -> str:
    if np.isnan(spread[0]):
        return "not stated"
    return " / ".join(f"{x:.4g}" for x in spread) + f" {unit} ({order})"


def _setup_line(setup: Setup) -> str:
    media = [
        f"{name.replace('_', ' ')} {medium.material or f'{medium.impedance / 1e6:.4g} MRayl'}"
        for name in ("delay_line", "couplant", "wall")
        if (medium := getattr(setup, name)) is not None
    ]
    mode = f"mode {setup.mode}" if setup.mode else "no mode stated"
    frequency = quantities.convert(setup.centre_frequency, "frequency", "MHz")
    return ", ".join([f"{frequency:.4g} MHz", f"{setup.velocity:.5g} m/s", mode, *media])


def near_fields(setup: Setup, wall_m: float) -> float:
    """Path to the back wall and back in near-field lengths; NaN where the set-up does not say.

    N = D^2 f / (4 c) for an element of diameter D (standard definition, from memory), and z / N
    summed over the media passed; a mirror at half the path is as far as a receiver behind all of
    it. Beyond 1 diffraction moves later echoes ahead of a plane wave.
    """
    line, diameter = setup.delay_line, setup.element_diameter
    if diameter is None or (line is not None and not (line.length and line.velocity)):
        return np.nan
    path = 2 * wall_m * setup.velocity
    if line is not None and line.length and line.velocity:
        path += 2 * line.length * line.velocity
    return float(4 * path / (diameter**2 * setup.centre_frequency))


def _beam_line(setup: Setup) -> str:
    tip, back = near_fields(setup, 0.0), near_fields(setup, setup.wall_range[1])
    if np.isnan(back):
        return ""
    line = "" if setup.delay_line is None else f"to the tip and back {tip:#.2g}, "
    return f"path {line}to the thickest back wall and back {back:#.2g} near-field lengths"


# -- the page -------------------------------------------------------------------------------------


def sample(corpus: Corpus, most: int = SAMPLES) -> list[int]:
    """Records worth a look: walls from the thinnest to the thickest, and one of each other kind."""
    truth = corpus.truth_of("thickness_mm", "kind")
    kind = truth.get("kind", pd.Series("wall", index=truth.index))
    others = [int(np.flatnonzero(kind == k)[0]) for k in ("dry", "wet tip") if (kind == k).any()]
    walls = np.flatnonzero(truth["thickness_mm"].notna())
    ordered = walls[np.argsort(truth["thickness_mm"].to_numpy()[walls], kind="stable")]
    wanted = min(most - len(others), walls.size)
    picked = ordered[np.linspace(0, walls.size - 1, wanted).astype(int)] if wanted else []
    return [*map(int, picked), *others]


def _truth(corpus: Corpus, record: int) -> Any:
    return corpus.truth_rows(record, record + 1).to_pandas().iloc[0]


class Marks(NamedTuple):
    """Where echoes are, microseconds: interface echo, back-wall echoes, and those too weak to see.

    `stated` by the truth, or else where the stated thickness puts them at the set-up's velocity.
    """

    interface: list[float]
    echoes: list[float]
    weak: list[float]
    stated: bool


def marks_us(corpus: Corpus, record: int) -> Marks:
    """Marks of a record, from its truth as far as that goes; weak ones are below tail or noise."""
    row, setup = _truth(corpus, record), corpus.setup
    interface = row.get("interface_us", np.nan)
    places = [] if np.isnan(interface) else [float(interface)]
    echoes = [float(t) for t in _listed(row.get("back_wall_us"))]
    if (echoes and (setup.mode == 1 or places)) or (places and np.isnan(row["thickness_mm"])):
        stands = [bool(s) for s in _listed(row.get("back_wall_stands"))] or [True] * len(echoes)
        known = list(zip(echoes, stands, strict=True))
        return Marks(places, [t for t, s in known if s], [t for t, s in known if not s], True)
    at = 0.0 if setup.mode == 1 else setup.interface_echo
    if places:
        at = places[0] / 1e6
    places = [] if setup.mode == 1 or at is None else [at * 1e6]
    if at is None or np.isnan(row["thickness_mm"]):
        return Marks(places, [], [], False)
    trip = float(setup.interval_s(row["thickness_mm"] / 1e3))
    last = corpus.known["start_us"].iloc[record] / 1e6 + corpus.n_samples / corpus.rate_hz
    orders = range(1, 1 + min(int((last - at) / trip), 8))
    return Marks(places, [(at + k * trip) * 1e6 for k in orders], [], False)


def _listed(value: Any) -> list[Any]:
    return [] if value is None or np.size(value) == 0 else list(np.atleast_1d(value))


def page(corpus: Corpus, path: Path, records: Sequence[int] = ()) -> None:
    """Write an HTML page of A-scans with the truth marked; it needs nothing from the network.

    Raises
    ------
    NotToBeHad
        The plotting library is not installed.
    WrongQuestion
        A record that the corpus does not have.
    """
    wrong = [r for r in records if not 0 <= r < len(corpus)]
    if wrong:
        raise WrongQuestion(f"record {wrong[0]}: {corpus.name} has records 0 to {len(corpus) - 1}")
    figure = _figure(corpus, list(records) or sample(corpus))
    text = html.escape("\n".join(lines(corpus, summary(corpus))))
    title = html.escape(f"{corpus.name}: sample A-scans")
    plots = figure.to_html(full_html=False, include_plotlyjs=True, config={"displaylogo": False})
    write_text(
        path,
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
        "</head>\n<body style='font-family: sans-serif; margin: 1.5em'>"
        f"<h1>{title}</h1>\n<pre>{text}</pre>\n{plots}\n</body></html>\n",
    )


def _figure(corpus: Corpus, records: list[int]) -> Any:
    try:
        from plotly.subplots import make_subplots
    except ImportError:
        raise NotToBeHad("the page needs the package plotly: pip install plotly") from None
    rows = -(-len(records) // _COLUMNS)
    titles = [_title(corpus, r) for r in records]
    named: set[str] = set()  # in the legend already
    figure = make_subplots(rows=rows, cols=_COLUMNS, subplot_titles=titles)
    for i, record in enumerate(records):
        where = {"row": i // _COLUMNS + 1, "col": i % _COLUMNS + 1}
        for trace in _traces(corpus, record):
            trace.showlegend = trace.name not in named
            named.add(trace.name)
            figure.add_trace(trace, **where)
        figure.update_xaxes(range=_window_us(corpus, record), **where)
    figure.update_xaxes(title_text="time, us")
    figure.update_yaxes(title_text="share of full scale", range=[-1.05, 1.05])
    figure.update_annotations(font_size=13)
    legend = {"orientation": "h", "yref": "container", "y": 0, "yanchor": "bottom"}
    figure.update_layout(
        height=260 * rows + 40,
        template="plotly_white",
        margin={"t": 60, "b": 90},
        legend=legend,
    )
    return figure


def _title(corpus: Corpus, record: int) -> str:
    row, unit = _truth(corpus, record), corpus.setup.length_unit
    wall = row["thickness_mm"] / 1e3
    low, high = corpus.setup.wall_range
    if np.isnan(wall):
        what = str(row.get("kind", "no wall"))
    else:
        what = f"{quantities.convert(float(wall), 'length', unit):.4g} {unit}"
        what += f" = {wall / corpus.setup.wavelength_m:.3g} wavelengths"
        what += "" if low <= wall <= high else ", outside"
    return f"record {record}: {what}"


def _window_us(corpus: Corpus, record: int) -> list[float] | None:
    """From before the interface echo to after the last mark; a double click shows the rest."""
    found = marks_us(corpus, record)
    marks = sorted([*found.interface, *found.echoes, *found.weak])
    pulse = 1e6 / corpus.setup.bandwidth_hz
    first = 0.0 if corpus.setup.mode == 1 else marks[0] if marks else 0.0
    return [first - 4 * pulse, marks[-1] + 10 * pulse] if marks else None


def _traces(corpus: Corpus, record: int) -> list[Any]:
    from plotly.graph_objects import Scatter

    batch = corpus.batch(record, record + 1)
    time = (batch.start_s[0] + np.arange(corpus.n_samples) / corpus.rate_hz) * 1e6
    found = marks_us(corpus, record)
    how = "truth" if found.stated else "expected from the stated thickness"
    marks = [
        (found.interface, f"interface echo ({how})", "#b35900", 1.0),
        (found.echoes, f"back-wall echoes ({how})", "#00707a", 1.0),
        (found.weak, "back-wall echoes below tail or noise (truth)", "#7fb7bc", -0.8),
    ]
    samples = np.round(batch.samples[0].astype(np.float64), 5)
    line = Scatter(
        x=np.round(time, 4),
        y=samples,
        name="A-scan",
        line={"width": 1, "color": "#333333"},
        legendgroup="A-scan",
    )
    return [
        *(
            Scatter(
                x=[t for at in places for t in (at, at, None)],
                y=[-1, top, None] * len(places),
                name=name,
                mode="lines",
                line={"width": 1, "color": colour, "dash": "solid" if found.stated else "dot"},
                opacity=0.6,
                legendgroup=name,
            )
            for places, name, colour, top in marks
            if places
        ),
        line,
    ]
