"""Velocity and zero offset from reference samples, with their covariance (JCGM 100:2008).

The model is that of ISO 16809:2017, clause 4: d = v (t - t_0) / 2, with t the interval of one wall
round trip. Inputs are independent; v and t_0, made of the same samples, are not.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy import stats
from uncertainties import UFloat, covariance_matrix
from uncertainties.core import Variable  # as ufloat, but 0 may be exact

from echotrial.errors import Refused
from echotrial.setup import Setup

Floats = NDArray[np.float64]
Kind = Literal["velocity", "zero offset", "two-point", "least squares"]
#: Samples disagree with a straight line where chance does so less often than this.
LACK_OF_FIT: Final = 0.05
#: A calibrated velocity further than this from the set-up's is that of another echo, or part.
VELOCITY_OFF: Final = 0.15


@dataclass(frozen=True)
class Sample:
    """A reference sample: thickness and interval of one round trip, with standard uncertainties."""

    name: str
    thickness_m: float
    thickness_u_m: float
    interval_s: float
    interval_u_s: float


@dataclass(frozen=True)
class Calibration:
    """What reference samples say of velocity and zero offset.

    Attributes
    ----------
    covariance
        (2, 2) of (velocity, zero offset), the sum of the two below.
    from_time, from_reference
        The part that the intervals bring (and whatever was taken as given), and the part that the
        reference thicknesses bring.
    holds_m
        Thinnest and thickest sample: beyond them the line is a guess.
    p_value
        Of the chi-squared test against a straight line; NaN without a degree of freedom.
    residual_m
        Sample - line, as thickness, in the order of the samples.
    """

    kind: Kind
    velocity: float
    zero_offset: float
    from_time: Floats
    from_reference: Floats
    holds_m: tuple[float, float]
    samples: int
    p_value: float = float("nan")
    residual_m: tuple[float, ...] = ()

    @property
    def covariance(self) -> Floats:
        """Of (velocity, zero offset), (2, 2)."""
        return np.asarray(self.from_time + self.from_reference)

    @property
    def velocity_u(self) -> float:
        """Standard uncertainty of the velocity, m/s."""
        return float(np.sqrt(self.covariance[0, 0]))

    @property
    def zero_offset_u(self) -> float:
        """Standard uncertainty of the zero offset, s."""
        return float(np.sqrt(self.covariance[1, 1]))

    @property
    def correlation(self) -> float:
        """Of velocity and zero offset; 0 where one of them is exact."""
        both = self.velocity_u * self.zero_offset_u
        return float(self.covariance[0, 1] / both) if both else 0.0

    @property
    def fits(self) -> bool:
        """Whether a straight line may be believed; nothing speaks against it without a test."""
        return not self.p_value < LACK_OF_FIT

    def applied(self, setup: Setup) -> Setup:
        """The set-up with the calibrated values in place of the nominal ones."""
        return setup.model_copy(update={"velocity": self.velocity, "zero_offset": self.zero_offset})

    def interval_s(self, thickness_m: float) -> float:
        """Interval of one round trip in a wall."""
        return 2 * thickness_m / self.velocity + self.zero_offset

    def sensitivity(self, thickness_m: float) -> Floats:
        """Change of a thickness with (velocity, zero offset): (d / v, -v / 2)."""
        return np.array([thickness_m / self.velocity, -self.velocity / 2])

    def thickness_u_m(self, thickness_m: float, interval_u_s: float = 0.0) -> float:
        """Standard uncertainty of a thickness, JCGM 100 5.2.2 (correlated inputs)."""
        c = self.sensitivity(thickness_m)
        time = self.velocity / 2 * interval_u_s
        return float(np.sqrt(c @ self.covariance @ c + time**2))

    def as_data(self) -> dict[str, Any]:
        """Plain data for a method file."""
        return {
            "kind": self.kind,
            "velocity_m_s": self.velocity,
            "zero_offset_s": self.zero_offset,
            "from_time": self.from_time.tolist(),
            "from_reference": self.from_reference.tolist(),
            "holds_m": list(self.holds_m),
            "samples": self.samples,
            **({} if np.isnan(self.p_value) else {"p_value": self.p_value}),
        }

    @classmethod
    def from_data(cls, data: Mapping[str, Any]) -> "Calibration":
        """The inverse of `as_data`, residuals apart."""
        low, high = data["holds_m"]
        return cls(
            data["kind"],
            float(data["velocity_m_s"]),
            float(data["zero_offset_s"]),
            np.array(data["from_time"], dtype=np.float64),
            np.array(data["from_reference"], dtype=np.float64),
            (float(low), float(high)),
            int(data["samples"]),
            float(data.get("p_value", "nan")),
        )


def velocity_from(
    samples: Sequence[Sample], zero_offset: float = 0.0, zero_offset_u: float = 0.0
) -> Calibration:
    """Velocity alone, the zero offset being given (in mode 3 it is exactly 0).

    One sample or more: the mean of their velocities weighted by the inverse of the variance that
    sample thickness and interval bring, 2 and more with the chi-squared test.
    """
    d, u_d, t, u_t = _columns(samples)
    trip = t - zero_offset
    v = 2 * d / trip
    variance = (2 / trip) ** 2 * u_d**2 + (v / trip) ** 2 * u_t**2
    weight = _weights(variance)
    velocity = float(weight @ v)
    slope = float(weight @ (v / trip))  # of the velocity with the zero offset
    by_time = float(weight**2 @ ((v / trip) ** 2 * u_t**2))
    from_time = np.array([[by_time, 0], [0, 0]]) + zero_offset_u**2 * np.outer(
        [slope, 1], [slope, 1]
    )
    from_reference = np.diag([float(weight**2 @ ((2 / trip) ** 2 * u_d**2)), 0.0])
    residual = d - velocity * trip / 2
    p = _p_value((v - velocity) ** 2, variance, len(samples) - 1)
    return Calibration(
        "velocity", velocity, zero_offset, from_time, from_reference, _held(d), len(samples), p,
        tuple(map(float, residual)),
    )  # fmt: skip


def zero_offset_from(sample: Sample, velocity: float, velocity_u: float) -> Calibration:
    """Zero offset from one sample, the velocity being given with its standard uncertainty."""
    v, d, t = _inputs(sample, velocity, velocity_u)
    zero = t - 2 * d / v
    return _propagated("zero offset", v, zero, [d], [sample])


def two_point(thin: Sample, thick: Sample) -> Calibration:
    """Velocity and zero offset from two samples, best at the ends of the range."""
    _, d1, t1 = _inputs(thin)
    _, d2, t2 = _inputs(thick)
    v = 2 * (d2 - d1) / (t2 - t1)
    return _propagated("two-point", v, t1 - 2 * d1 / v, [d1, d2], [thin, thick])


def least_squares(samples: Sequence[Sample]) -> Calibration:
    """Velocity and zero offset from three samples or more, errors in both thickness and interval.

    The line of D. York et al., Am. J. Phys. 72 (2004) 367-375, for independent errors; covariance
    by first-order propagation. Lack of fit: weighted sum of squared residuals against chi-squared
    with n - 2 degrees of freedom.
    """
    d, u_d, t, u_t = _columns(samples)
    half_v, middle = _york(t, d, u_t, u_d)
    weight = _weights(u_d**2 + half_v**2 * u_t**2)
    design = np.column_stack([np.ones_like(t), t - t.mean()])
    gain = np.linalg.solve((design.T * weight) @ design, design.T * weight)
    mean_d = middle[1] + half_v * (t.mean() - middle[0])
    v, zero = 2 * half_v, float(t.mean() - mean_d / half_v)
    # (velocity, zero offset) by (mean_d, half_v), then by d and by t
    turn = np.array([[0.0, 2.0], [-1 / half_v, mean_d / half_v**2]]) @ gain
    by_d = (turn * u_d) @ (turn * u_d).T
    by_t = (turn * (half_v * u_t)) @ (turn * (half_v * u_t)).T
    residual = d - half_v * (t - zero)
    p = _p_value(residual**2, u_d**2 + half_v**2 * u_t**2, len(samples) - 2)
    return Calibration(
        "least squares", v, zero, by_t, by_d, _held(d), len(samples), p,
        tuple(map(float, residual)),
    )  # fmt: skip


def calibrate(samples: Sequence[Sample], setup: Setup, mode: int) -> Calibration:
    """Choose what the samples allow: mode 3 needs the velocity alone, else two samples give both.

    Each sample is a piece of its own, with a velocity of its own: the set-up's spread from piece
    to piece is part of its interval's uncertainty. (Steps of one block share theirs; then this
    errs to the safe side.)

    Raises
    ------
    Refused
        No sample; or samples whose line has another velocity than the set-up by more than 15 %:
        some of them were not measured on the echo they were meant to be.
    """
    if not samples:
        raise Refused("no reference sample is left: a calibration needs one or more")
    widened = [_with_spread(s, setup) for s in samples]
    if mode == 3:
        found = velocity_from(widened)
    elif len(samples) == 1:
        found = zero_offset_from(samples[0], setup.velocity, setup.velocity_uncertainty)
    elif len(samples) == 2:
        found = two_point(*sorted(widened, key=lambda s: s.thickness_m))
    else:
        found = least_squares(widened)
    off = found.velocity / setup.velocity - 1
    if abs(off) > VELOCITY_OFF:
        raise Refused(
            f"calibrated velocity {found.velocity:.0f} m/s is {off:+.0%} off the set-up's "
            f"{setup.velocity:.0f} m/s: a sample was read on another echo, or is of another "
            "material"
        )
    return found


def _with_spread(sample: Sample, setup: Setup) -> Sample:
    spread = setup.velocity_uncertainty / setup.velocity
    own = spread * 2 * sample.thickness_m / setup.velocity
    return replace(sample, interval_u_s=float(np.hypot(sample.interval_u_s, own)))


# -- parts --------------------------------------------------------------------------------------


def _columns(samples: Sequence[Sample]) -> tuple[Floats, Floats, Floats, Floats]:
    rows = [(s.thickness_m, s.thickness_u_m, s.interval_s, s.interval_u_s) for s in samples]
    d, u_d, t, u_t = np.array(rows, dtype=np.float64).T
    return d, u_d, t, u_t


def _inputs(sample: Sample, velocity: float = 1.0, velocity_u: float = 0.0) -> list[Any]:
    return [
        Variable(velocity, velocity_u),
        Variable(sample.thickness_m, sample.thickness_u_m),
        Variable(sample.interval_s, sample.interval_u_s),
    ]


def _propagated(
    kind: Kind, v: UFloat, zero: UFloat, references: list[Any], samples: list[Sample]
) -> Calibration:
    """Values and covariance by first-order propagation (the package ``uncertainties``)."""
    whole = np.array(covariance_matrix([v, zero]), dtype=np.float64)
    gradient = np.array([[float(x.derivatives.get(d, 0.0)) for d in references] for x in (v, zero)])
    u_d = np.array([d.std_dev for d in references])
    by_d = (gradient * u_d) @ (gradient * u_d).T
    thickness = np.array([s.thickness_m for s in samples])
    return Calibration(
        kind, float(v.nominal_value), float(zero.nominal_value), whole - by_d, by_d,
        _held(thickness), len(samples),
    )  # fmt: skip


def _york(t: Floats, d: Floats, u_t: Floats, u_d: Floats) -> tuple[float, tuple[float, float]]:
    """Slope of d on t, and the point that the line goes through."""
    slope = float(np.polyfit(t, d, 1)[0])
    for _ in range(30):
        w = _weights(u_d**2 + slope**2 * u_t**2)
        at, ad = float(w @ t), float(w @ d)
        if not u_t.any():
            return float(w @ ((t - at) * (d - ad)) / (w @ (t - at) ** 2)), (at, ad)
        beta = w * ((t - at) * u_d**2 + slope * (d - ad) * u_t**2)
        slope = float((w * beta) @ (d - ad) / ((w * beta) @ (t - at)))
    return slope, (at, ad)


def _weights(variance: Floats) -> Floats:
    """Inverse variances that sum to 1; equal ones where no uncertainty is stated at all."""
    if not variance.any():
        return np.full(variance.size, 1 / variance.size)
    least = variance[variance > 0].min() * 1e-6
    inverse = 1 / np.maximum(variance, least)
    return np.asarray(inverse / inverse.sum())


def _p_value(squares: Floats, variance: Floats, freedom: int) -> float:
    if freedom < 1 or not variance.all():
        return float("nan")
    return float(stats.chi2.sf(float(np.sum(squares / variance)), freedom))


def _held(thickness: Floats) -> tuple[float, float]:
    return float(thickness.min()), float(thickness.max())
