"""How far off a reading may be: uncertainty budget (JCGM 100:2008) and its check (JCGM 101:2008).

d = v (1 + piece + a dT) (t - t_0) / 2 + bias + resolution, with (v, t_0) from calibration and
correlated, the rest independent.
"""

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from uncertainties import UFloat, correlated_values
from uncertainties.core import Variable  # as ufloat, but 0 may be exact

from echotrial.choose.calibration import Calibration

Floats = NDArray[np.float64]
#: Coverage factor of the expanded uncertainty: about 95 % (JCGM 100, 6.3.3).
K: Final = 2.0
DRAWS: Final = 200_000
#: Relative change of velocity per kelvin. Steel 1 % per 55 K (ASTM E797, from memory), taken for
#: every metal; plastics 2 to 4 m/s per kelvin at some 2500 m/s (from memory).
PER_KELVIN_METAL, PER_KELVIN_PLASTIC = 1.8e-4, 1.2e-3
#: Walls with less than this impedance count as plastic.
PLASTIC_BELOW: Final = 5e6


@dataclass(frozen=True)
class Sources:
    """What one wall's reading is uncertain by; standard uncertainties, SI.

    Attributes
    ----------
    time_s
        Of the time of flight, from the trial: repeats with fresh coupling, digitising included.
    bias_m
        Mean error that curvature, couplant and the detector leave, uncorrected: it counts whole,
        as a standard uncertainty (JCGM 100, F.2.4.5 has the alternatives).
    velocity_relative
        From piece to piece.
    temperature_k
        Of the part against the reference samples.
    per_kelvin
        Relative change of velocity.
    resolution_m
        Last digit shown.
    """

    time_s: float
    bias_m: float
    velocity_relative: float
    temperature_k: float
    per_kelvin: float
    resolution_m: float = 1e-6


@dataclass(frozen=True)
class Row:
    """A line of the budget: u(x), the sensitivity coefficient in SI, |c| u(x) in metres."""

    name: str
    u: float
    unit: str
    sensitivity: float
    contribution_m: float


@dataclass(frozen=True)
class Budget:
    """The budget of one wall.

    Attributes
    ----------
    combined_m, expanded_m
        By JCGM 100; the expanded one with k = 2.
    drawn_m, drawn_expanded_m
        Standard deviation, and half the 95.45 % interval, of a Monte Carlo run by JCGM 101.
    """

    thickness_m: float
    rows: tuple[Row, ...]
    combined_m: float
    expanded_m: float
    drawn_m: float
    drawn_expanded_m: float


def per_kelvin(impedance: float | None) -> float:
    """Relative change of a wall's velocity with temperature, by the kind of material."""
    plastic = impedance is not None and impedance < PLASTIC_BELOW
    return PER_KELVIN_PLASTIC if plastic else PER_KELVIN_METAL


def budget(thickness_m: float, calibration: Calibration, sources: Sources) -> Budget:
    """Work the budget of one wall out, and check it by drawing."""
    found, named = _model(thickness_m, calibration, sources)
    rows = (*_rows(found, named), *_calibration_rows(thickness_m, calibration))
    combined = float(found.std_dev)
    drawn = _drawn(thickness_m, calibration, sources)
    low, high = (float(np.quantile(drawn, p)) for p in (0.02275, 0.97725))
    return Budget(thickness_m, rows, combined, K * combined, float(drawn.std()), (high - low) / 2)


def _model(
    d: float, calibration: Calibration, s: Sources
) -> tuple[UFloat, dict[str, tuple[Any, str]]]:
    t = Variable(calibration.interval_s(d), s.time_s)
    piece, warm = Variable(0, s.velocity_relative), Variable(0, s.temperature_k)
    bias, step = Variable(0, abs(s.bias_m)), Variable(0, s.resolution_m / np.sqrt(12))
    v, zero = _pair(calibration)
    found = v * (1 + piece + s.per_kelvin * warm) * (t - zero) / 2 + bias + step
    return found, {
        "time of flight": (t, "s"),
        "velocity, piece to piece": (piece, "1"),
        "velocity, temperature": (warm, "K"),
        "bias: curvature, couplant, detector": (bias, "m"),
        "resolution": (step, "m"),
    }


def _pair(calibration: Calibration) -> tuple[Any, Any]:
    """Velocity and zero offset, correlated; the package wants a full matrix."""
    nominal = (calibration.velocity, calibration.zero_offset)
    u = np.sqrt(np.diag(calibration.covariance))
    if not u.all():
        return Variable(nominal[0], u[0]), Variable(nominal[1], u[1])
    # scaled to per cent and nanoseconds: the package factors the matrix
    scale = np.array([1.0, 1e9])
    matrix = calibration.covariance * np.outer(scale, scale)
    v, zero = correlated_values(np.array(nominal) * scale, matrix)
    return v, zero / scale[1]


def _rows(found: UFloat, named: dict[str, tuple[Any, str]]) -> list[Row]:
    rows = []
    for name, (x, unit) in named.items():
        c = float(found.derivatives.get(x, 0.0))
        rows.append(Row(name, float(x.std_dev), unit, c, abs(c) * float(x.std_dev)))
    return rows


def _calibration_rows(d: float, calibration: Calibration) -> list[Row]:
    """Velocity and zero offset together, by what made them uncertain: they are correlated."""
    c = calibration.sensitivity(d)
    parts = {
        "calibration, intervals": calibration.from_time,
        "calibration, reference thickness": calibration.from_reference,
    }
    found = []
    for name, matrix in parts.items():
        u = math.sqrt(max(float(c @ matrix @ c), 0.0))
        found.append(Row(name, u, "m", 1.0, u))
    return found


def _drawn(d: float, calibration: Calibration, s: Sources) -> Floats:
    """JCGM 101: thicknesses of `DRAWS` draws; normal but for the resolution (rectangular)."""
    rng = np.random.default_rng(101)
    normal = rng.standard_normal((6, DRAWS))
    root = _root(calibration.covariance)
    v = calibration.velocity + root[0] @ normal[:2]
    zero = calibration.zero_offset + root[1] @ normal[:2]
    t = calibration.interval_s(d) + s.time_s * normal[2]
    factor = 1 + s.velocity_relative * normal[3] + s.per_kelvin * s.temperature_k * normal[4]
    step = s.resolution_m * rng.uniform(-0.5, 0.5, DRAWS)
    return np.asarray(v * factor * (t - zero) / 2 + abs(s.bias_m) * normal[5] + step)


def _root(covariance: Floats) -> Floats:
    """A square root of a positive semi-definite matrix whose entries are decades apart."""
    u = np.sqrt(np.diag(covariance))
    safe = np.where(u > 0, u, 1.0)
    values, vectors = np.linalg.eigh(covariance / np.outer(safe, safe))
    return np.asarray(u[:, None] * vectors * np.sqrt(np.maximum(values, 0.0)))
