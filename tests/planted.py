"""A planted corpus (truth without waveforms) and detectors whose scores anybody can predict.

``python -m tests.planted`` prints them.

Invented: no A-scan is behind any of it. Walls are spread evenly over the range, the velocity of
the set-up is the true one, and echo times are not known, so that outcomes go by thickness.
"""

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd
from echotrial.outcome import judge
from echotrial.scores import joined, score, wide
from echotrial.setup import Setup

#: 10 MHz in 4000 m/s: a wavelength is 0.4 mm; hits within the larger of 1 % and 5 um.
SETUP = Setup(centre_frequency=10e6, velocity=4000.0, wall_range=(0.5e-3, 2.0e-3))

Truth = pd.DataFrame
Read = Callable[[Truth, np.random.Generator], np.ndarray]


def truth_table(walls: int = 4500, dry: int = 300, wet: int = 100, tune: int = 500) -> Truth:
    """`walls` prove records with a wall, evenly from 0.5 to 2 mm, then dry, then wet tips; then
    `tune` walls. Times of the echoes are not known: outcomes go by thickness."""
    prove = np.concatenate([np.linspace(0.5, 2.0, walls), np.full(dry + wet, np.nan)])
    thickness = np.concatenate([prove, np.linspace(0.5, 2.0, tune)])
    kind = ["wall"] * walls + ["dry"] * dry + ["wet tip"] * wet + ["wall"] * tune
    n = thickness.size
    return pd.DataFrame(
        {
            "record": np.arange(n),
            "split": np.where(np.arange(n) < prove.size, "prove", "tune"),
            "specimen": [f"piece {i}" for i in range(n)],
            "thickness_mm": thickness,
            "thickness_u_mm": 0.0,
            "kind": kind,
            "velocity_true_m_s": 4000.0,
            "wall_wavelengths": thickness / 0.4,
            "echo_snr_db": 35.0,
            "bound_um": 0.5,
        }
    )


def silent(truth: Truth, rng: np.random.Generator) -> np.ndarray:
    return np.full(len(truth), np.nan)


def nominal(truth: Truth, rng: np.random.Generator) -> np.ndarray:
    return np.full(len(truth), 1.25)


def half(truth: Truth, rng: np.random.Generator) -> np.ndarray:
    return truth["thickness_mm"].to_numpy() / 2


def at_random(truth: Truth, rng: np.random.Generator) -> np.ndarray:
    return rng.uniform(0.5, 2.0, len(truth))


def oracle(truth: Truth, rng: np.random.Generator) -> np.ndarray:
    return truth["thickness_mm"].to_numpy(copy=True)


def oracle_plus_2um(truth: Truth, rng: np.random.Generator) -> np.ndarray:
    return truth["thickness_mm"].to_numpy() + 0.002


def oracle_doubling(truth: Truth, rng: np.random.Generator) -> np.ndarray:
    """Doubles every hundredth record."""
    read = truth["thickness_mm"].to_numpy(copy=True)
    read[::100] *= 2
    return read


DETECTORS: Mapping[str, Read] = {
    "silent": silent,
    "nominal": nominal,
    "half": half,
    "random": at_random,
    "oracle": oracle,
    "oracle-plus-2um": oracle_plus_2um,
    "oracle-doubling": oracle_doubling,
}


def readings_of(
    truth: Truth, detectors: Mapping[str, Read] = DETECTORS, corpus: str = "planted"
) -> pd.DataFrame:
    """What the engine would make of planted detectors: one row a record and detector."""
    return pd.concat(
        [
            pd.DataFrame(
                {
                    "corpus": corpus,
                    "record": truth["record"],
                    "split": truth["split"],
                    "detector": name,
                    "thickness_mm": read(truth, np.random.default_rng(7)),
                    "first_echo_us": np.nan,
                    "second_echo_us": np.nan,
                    "spans": 1.0,
                    "gate_start_us": np.nan,
                    "gate_end_us": np.nan,
                    "confidence": np.nan,
                    "reason": "",
                    "status": "ok",
                    "note": "",
                }
            )
            for name, read in detectors.items()
        ],
        ignore_index=True,
    )


def scored(
    truth: Truth, detectors: Mapping[str, Read] = DETECTORS, setup: Setup = SETUP
) -> pd.DataFrame:
    """Readings, outcomes and truth of planted detectors, ready for `echotrial.scores.score`."""
    readings = readings_of(truth, detectors)
    return joined(readings, judge(readings, truth, setup)[0], truth)


if __name__ == "__main__":
    found = score(scored(truth_table()), SETUP, origin="synthetic")
    print(wide(found.table).T.round(4).to_string())
    print(found.verdict.sentence)
