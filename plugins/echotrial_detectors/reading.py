"""From candidate echoes to readings: interface echo, gate, series, doubts."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from echotrial.ascan import Batch, Readings, Reason
from echotrial_detectors import gate as gates
from echotrial_detectors.interface import Interface, take_interface
from echotrial_detectors.multiples import Law, Series, best_series
from echotrial_detectors.peaks import Candidates
from echotrial_detectors.plan import EchoSettings, Plan

#: An echo may lie this share of a period off its place in the series.
SLACK_PERIODS = 0.25
#: The first echo may lie this far off a whole number of spacings from the interface echo, which
#: couplant, phase and (without one) the unknown zero offset shift.
ORIGIN_PERIODS, ORIGIN_SHARE = 0.4, 0.12


@dataclass(frozen=True)
class Reader:
    """Turns candidates into readings; made once by ``prepare``.

    Attributes
    ----------
    plan, settings
        What to look for.
    after_s
        How long after the interface echo marks may begin.
    """

    plan: Plan
    settings: EchoSettings
    after_s: float

    def law(self, rate_hz: float) -> Law:
        """What a series must obey, in samples."""
        plan = self.plan
        known = plan.setup.interface_reflection
        return Law(
            spacing_min=plan.spacing_min_s * rate_hz,
            spacing_max=plan.spacing_max_s * rate_hz,
            slack=SLACK_PERIODS * plan.period_s * rate_hz,
            origin_slack=ORIGIN_PERIODS * plan.period_s * rate_hz,
            origin_share=ORIGIN_SHARE if plan.interface_s is None else 0.0,
            from_origin=plan.mode != 3,
            ratio=0.0 if known is None else abs(known),
            sign=plan.sign,
            alternation=plan.alternation,
            most=self.settings.multiples,
        )

    def read(self, batch: Batch, found: Candidates, level: NDArray[np.float64]) -> Readings:
        """Give the readings of a batch; `level` is what a candidate had to exceed, (n,)."""
        rate, m = batch.rate_hz, batch.samples.shape[1]
        origin = (self.plan.origin_s - batch.start_s) * rate
        interface = self._interface(found, origin, rate)
        measured = np.where(np.isnan(interface.sample), origin, interface.sample)
        gate = gates.gate_of(self.plan, interface.sample, self.after_s, batch.start_s, rate, m)
        keep_inside(found, gate)
        series = best_series(found, measured, gate.start, gate.stop, level, self.law(rate))
        return self._judge(batch, found, interface, measured, gate, series)

    def _interface(
        self, found: Candidates, nominal: NDArray[np.float64], rate_hz: float
    ) -> Interface:
        if self.plan.interface_s is None:
            nowhere = np.full(nominal.shape, np.nan)
            return Interface(nowhere, nowhere)
        reach = gates.interface_reach_s(self.plan) * rate_hz
        return take_interface(found, nominal, reach, self.plan.interface_sign)

    def _judge(
        self,
        batch: Batch,
        found: Candidates,
        interface: Interface,
        measured: NDArray[np.float64],
        gate: gates.Gate,
        series: Series,
    ) -> Readings:
        plan, rate, start = self.plan, batch.rate_hz, batch.start_s
        orders = series.last_order - series.first_order
        if plan.mode == 3:
            first, last, spans = series.first, series.last, orders
        else:
            first, last, spans = measured, series.first, np.ones(len(batch))
        spacing = (last - first) / np.where(spans > 0, spans, np.nan)
        interval = start + last / rate if plan.mode == 1 else spacing / rate
        thickness = plan.setup.thickness_m(interval, 1, mode=plan.mode)
        reason = self._reasons(batch, found, interface, series, thickness)
        silent = reason != Reason.READ
        return Readings(
            np.where(silent, np.nan, thickness),
            np.where(silent | (plan.mode == 1), np.nan, start + first / rate),
            np.where(silent, np.nan, start + last / rate),
            np.where(silent, np.nan, spans),
            start + gate.start / rate,
            start + gate.stop / rate,
            np.where(silent, np.nan, self._confidence(series, rate)),
            reason,
        )

    def _confidence(self, series: Series, rate_hz: float) -> NDArray[np.float64]:
        """Share of the energy explained, less for echoes that lie off their places."""
        slack = SLACK_PERIODS * self.plan.period_s * rate_hz
        even = np.exp(-((series.misfit / slack) ** 2))
        return np.clip(series.share, 0, 1) * even

    def _reasons(
        self,
        batch: Batch,
        found: Candidates,
        interface: Interface,
        series: Series,
        thickness: NDArray[np.float64],
    ) -> NDArray[np.int8]:
        """Why not: the first doubt that holds, `Reason.READ` where none does."""
        wants_interface = self.plan.interface_s is not None
        low, high = self.plan.setup.wall_range
        tol = self.plan.setup.tolerance.of(thickness)
        doubts = [
            (~np.isfinite(batch.samples.max(axis=1)), Reason.BAD_SAMPLES),
            (wants_interface & np.isnan(interface.sample), Reason.NO_INTERFACE_ECHO),
            (found.count == 0, Reason.NO_ECHO),
            ((self.plan.mode == 3) & (found.count < 2), Reason.NO_SECOND_ECHO),
            (~np.isfinite(thickness), Reason.UNEVEN_SPACING),
            (series.share < self.settings.evenness, Reason.UNEVEN_SPACING),
            ((thickness < low - tol) | (thickness > high + tol), Reason.OUT_OF_RANGE),
        ]
        return np.select(
            [doubt for doubt, _ in doubts], [int(why) for _, why in doubts], int(Reason.READ)
        ).astype(np.int8)


def level_of(
    plan: Plan,
    settings: EchoSettings,
    sigma: NDArray[np.float64],
    strongest: NDArray[np.float64],
) -> NDArray[np.float64]:
    """What an echo must exceed, (n,): so much noise, and a share of the strongest one.

    Where the interface echo is weak and needed, that share is at most half of its reflection.
    """
    share = settings.level_relative
    reflection = plan.setup.interface_reflection
    if plan.mode != 3 and reflection is not None:
        share = min(share, 0.5 * abs(reflection))
    return np.asarray(np.maximum(settings.level_sigma * sigma, share * strongest))


def keep_inside(found: Candidates, gate: gates.Gate) -> None:
    """Take candidates outside the gate off the list, in place."""
    index = np.arange(found.sample.shape[1])
    inside = (found.sample >= gate.start[:, None]) & (found.sample <= gate.stop[:, None])
    inside &= index < found.count[:, None]
    order = np.argsort(~inside, axis=1, kind="stable")
    found.sample = np.take_along_axis(found.sample, order, axis=1)
    found.amplitude = np.take_along_axis(found.amplitude, order, axis=1)
    found.count = inside.sum(axis=1)
