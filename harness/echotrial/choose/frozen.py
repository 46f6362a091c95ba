"""From a choice to its method: mode, sources of uncertainty and evidence, out of the trial."""

from typing import Any, Final

import numpy as np
import pandas as pd

from echotrial import __version__
from echotrial.choose.budget import Sources
from echotrial.choose.conduct import Choice
from echotrial.choose.method import Method, digest_of, sources_at
from echotrial.errors import Refused
from echotrial.host import Host
from echotrial.scores import ConfidenceMap
from echotrial.scores.panel import RIGHT_ECHOES
from echotrial.scores.trend import velocity_part_um

#: With fewer readings a third of the range takes the spread of the whole range.
LEAST: Final = 20


def method_of(choice: Choice, host: Host, name: str) -> Method:
    """Freeze the chosen detector.

    Raises
    ------
    Refused
        Nothing was chosen: an empty or failed trial recommends nothing.
    """
    if choice.detector is None:
        raise Refused(f"no method: {choice.verdict['sentence']}")
    detector = host.detectors[choice.detector]
    settings = next(f.settings for f in choice.finalists if f.detector == choice.detector)
    read = right_readings(choice)
    maps = next(c for c in choice.trial.verdicts["corpora"] if c["corpus"] == choice.corpus.name)
    found = maps["confidence_maps"].get(choice.detector)
    setup = choice.corpus.setup.model_copy(update={"length_unit": choice.job.setup.length_unit})
    return Method(
        name, setup, choice.corpus.rate_hz, detector.name, detector.version,
        detector.source_digest,
        {k: v for k, v in settings.items() if v is not None},
        mode_of(settings, choice, read), _sources(choice, read),
        ConfidenceMap.from_data(found) if found else None, None, _evidence(choice),
        choice.heights.chosen,
    )  # fmt: skip


def right_readings(choice: Choice) -> pd.DataFrame:
    """The chosen detector's readings of the right echoes on `prove`, joined with the truth."""
    readings = choice.trial.readings
    own = readings[
        (readings["corpus"] == choice.corpus.name)
        & (readings["detector"] == choice.detector)
        & (readings["split"] == "prove")
    ]
    right = own[own["outcome"].astype(str).isin([str(o) for o in RIGHT_ECHOES])]
    truth = choice.corpus.truth.rename(columns={"thickness_mm": "true_mm"})
    return right.merge(truth.drop(columns="split"), on="record")


def mode_of(settings: Any, choice: Choice, read: pd.DataFrame) -> int:
    """As the settings or the set-up say, else whichever echo the first marks are nearer to."""
    said = settings.get("mode", "setup")
    if said in (1, 2, 3):
        return int(said)
    if choice.job.setup.mode is not None:
        return choice.job.setup.mode
    lag = (read["first_echo_us"] - read["interface_us"]).median()
    trip = (2e3 * read["true_mm"] / read["velocity_true_m_s"]).median()
    if not np.isfinite(lag):
        return 3
    return 2 if abs(lag) < trip / 2 else 3


def _sources(choice: Choice, read: pd.DataFrame) -> tuple[tuple[float, Sources], ...]:
    """Spread and bias, less what the velocity explains, in each third of the walls read."""
    setup, job = choice.corpus.setup, choice.job
    low, high = setup.wall_range
    wall = read["true_mm"].to_numpy(np.float64) * 1e-3
    error = read["error_um"].to_numpy(np.float64) * 1e-6
    true = read["velocity_true_m_s"].to_numpy(np.float64)
    own = error - velocity_part_um(wall * 1e6, setup.velocity, true) * 1e-6
    edges = np.geomspace(low, high, 4)[1:-1]
    third = np.searchsorted(edges, wall)
    found = []
    for i, at in enumerate((low, (low + high) / 2, high)):
        rows = own[third == i] if (third == i).sum() >= LEAST else own
        time = float(np.std(rows, ddof=1)) * 2 / setup.velocity
        warm = job.uncertain.temperature / 2
        found.append((at, sources_at(at, time, float(rows.mean()), setup, warm)))
    return tuple(found)


def _evidence(choice: Choice) -> dict[str, Any]:
    info = choice.trial.info
    best = next(
        a for a in choice.verdict["assessments"] if a["detector"] == choice.verdict["detector"]
    )
    rates = {
        k: best[k] for k in ("false_lock", "thick", "phantom", "hit", "worst_hit", "rms_um")
        if best[k] is not None
    }  # fmt: skip
    return {
        "echotrial": __version__,
        "origin": choice.corpus.origin,
        "corpus": choice.corpus.identity,
        "setup_digest": choice.corpus.setup.digest(),
        "trial": digest_of(choice.trial.verdicts),
        "started": str(info["started"]),
        "sentence": choice.verdict["sentence"],
        "bounds": rates,
        "recorded": [r["sentence"] for r in choice.recorded],
        "screen_height": choice.heights.sentence,
        "python": info["machine"]["python"],
    }
