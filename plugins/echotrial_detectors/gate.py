"""Between which samples marks may lie."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrial_detectors.plan import Plan

#: How far the interface echo may lie from its nominal time: in periods, and at least in seconds
#: (delay-line temperature, trigger and couplant move it by some tens of ns whatever the frequency).
INTERFACE_REACH_PERIODS = 1.5
INTERFACE_REACH_S = 80e-9


@dataclass(eq=False)
class Gate:
    """First and last sample of the gate, float64 (n,) each, counted from the record's start."""

    start: NDArray[np.float64]
    stop: NDArray[np.float64]


def interface_reach_s(plan: Plan) -> float:
    """How far off its nominal time the interface echo is looked for."""
    return max(INTERFACE_REACH_PERIODS * plan.period_s, INTERFACE_REACH_S)


def search_samples(
    plan: Plan, after_s: float, start_s: NDArray[np.float64], rate_hz: float, m: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and last sample in which candidates are looked for, the interface echo among them."""
    begin = after_s if plan.interface_s is None else plan.interface_s - interface_reach_s(plan)
    stop = (end_s(plan) - start_s) * rate_hz
    return inside((begin - start_s) * rate_hz, m), inside(np.ceil(stop), m)


def inside(sample: NDArray[np.float64], m: int) -> NDArray[np.int64]:
    """Whole samples at or before those given, at least 0 (for NaN too) and at most m."""
    return np.fmin(np.fmax(sample, 0.0), m).astype(np.int64)


def behind_tail(
    plan: Plan, after_s: float, tail: int, start_s: NDArray[np.float64], rate_hz: float, m: int
) -> NDArray[np.int64]:
    """First sample behind the tail of an interface echo at its nominal time, or of the gate."""
    begin = after_s
    if plan.interface_s is not None:
        begin = plan.interface_s + max(after_s, tail / rate_hz) + 0.5 * interface_reach_s(plan)
    return inside((begin - start_s) * rate_hz, m)


def end_s(plan: Plan) -> float:
    """Where the gate ends on the clock: with the record in mode 3, else at the thickest wall."""
    if plan.mode == 3:
        return np.inf
    reach = 0.0 if plan.interface_s is None else interface_reach_s(plan)
    return plan.origin_s + plan.spacing_max_s + reach + plan.period_s


def gate_of(
    plan: Plan,
    interface: NDArray[np.float64],
    after_s: float,
    start_s: NDArray[np.float64],
    rate_hz: float,
    m: int,
) -> Gate:
    """The gate of each record, from the measured interface echo, else from the nominal one.

    Parameters
    ----------
    interface
        Sample of the measured interface echo, NaN where there is none, (n,).
    after_s
        How long after it marks may begin; on the clock where the set-up has no interface echo.
    start_s, rate_hz, m
        The batch's clock and record length.
    """
    nominal = ((plan.interface_s or 0.0) - start_s) * rate_hz
    start = np.where(np.isnan(interface), nominal, interface) + after_s * rate_hz
    stop = np.minimum((end_s(plan) - start_s) * rate_hz, m - 1.0)
    return Gate(np.maximum(start, 0.0), stop)
