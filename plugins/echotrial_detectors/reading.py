"""From candidate echoes to readings: interface echo, gate, series, doubts."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from echotrial.ascan import Batch, Readings, Reason
from numpy.typing import NDArray

from echotrial_detectors import gate as gates
from echotrial_detectors.interface import Interface, take_interface
from echotrial_detectors.multiples import Law, Series, best_series
from echotrial_detectors.noise import Survey, fixed, noise_peak, survey
from echotrial_detectors.peaks import (
    MOST,
    Candidates,
    drop_side_lobes,
    keep_between,
    strongest,
)
from echotrial_detectors.plan import EchoSettings, Plan
from echotrial_detectors.pulse import PulseShape
from echotrial_detectors.residual import unexplained

#: An echo may lie this share of a period off its place in the series.
SLACK_PERIODS = 0.25
#: The first echo may lie this far off a whole number of spacings from the interface echo, which
#: couplant, phase and (without one) the unknown zero offset shift.
ORIGIN_PERIODS, ORIGIN_SHARE = 0.4, 0.12
#: A series of another spacing that explains this share of what the best one does makes it doubtful.
RIVAL_SHARE = 0.75
#: In mode 2 the interface echo must have at least and at most so many times the height that the
#: impedances give it beside the first back-wall echo, r / (1 - r^2): less is a ripple before a
#: strong echo, and much more no echo of a wall (loss in the wall makes it a few times more).
HEIGHT_AT_LEAST, HEIGHT_AT_MOST = 0.75, 4.0
#: Candidates half-way between the echoes of a series, above this share of the energy: every second
#: echo was taken.
BETWEEN_AT_MOST = 0.05
#: Echoes nearer to each other than this, in periods, overlap.
CLOSE_PERIODS = 2.8
#: An interface echo this near to the back-wall echo, in periods, and below this share of it is not
#: told from the flank of that.
FLANK_PERIODS, FLANK_SHARE = 2.1, 0.3
#: Share of the energy behind the tail that the candidates may leave unexplained.
LEFT_AT_MOST = 0.35


@dataclass(frozen=True, eq=False)
class Look:
    """Where and how candidates are looked for, arrays (n,), in samples.

    Attributes
    ----------
    first, last
        Between these samples.
    behind
        From here on the interface echo's tail is over.
    sigma, level, sure
        Noise of the signal, what a candidate must exceed, and what the strongest one must (without
        an interface echo nothing else tells echoes from noise).
    separation
        Of extrema nearer to each other than this the greater one counts.
    survey
        Where the signal is loud.
    """

    first: NDArray[np.int64]
    last: NDArray[np.int64]
    behind: NDArray[np.int64]
    sigma: NDArray[np.float64]
    level: NDArray[np.float64]
    sure: NDArray[np.float64]
    separation: int
    survey: Survey


Finder = Callable[[NDArray[np.float32], Look, PulseShape, Candidates], None]


@dataclass(frozen=True)
class Reader:
    """Turns candidates into readings; made once by ``prepare``.

    Attributes
    ----------
    plan, settings
        What to look for.
    after_s
        How long after the interface echo marks may begin.
    close_share
        In place of the settings' `evenness`, if greater, where echoes overlap (mode 3).
    """

    plan: Plan
    settings: EchoSettings
    after_s: float
    close_share: float = 0.0

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

    def read(
        self,
        batch: Batch,
        signal: NDArray[np.float32],
        shape: PulseShape,
        find: Finder,
        refine: Finder | None = None,
        seen: Survey | None = None,
    ) -> Readings:
        """Give the readings of a batch.

        Parameters
        ----------
        batch
            The records.
        signal
            What of them echoes are looked for in, (n, m): the records themselves, a correlation.
        shape
            What one echo leaves in that signal.
        find
            Fills in the candidates.
        refine
            Moves those that no stronger one explains to where they are exactly.
        seen
            The survey of the signal, where it has been made already.
        """
        signal = fixed(signal)
        rate, m = batch.rate_hz, max(batch.samples.shape[1] - shape.tail, 1)
        look = self.look(batch, signal, shape, seen or survey(signal))
        found = Candidates.none(len(batch))
        find(signal, look, shape, found)
        drop_side_lobes(
            found.sample, found.amplitude, found.count, shape.lobes, np.empty(MOST, np.bool_)
        )
        if refine is not None:
            refine(signal, look, shape, found)
        origin = (self.plan.origin_s - batch.start_s) * rate
        interface = self._interface(found, origin, rate)
        measured = np.where(np.isnan(interface.sample), origin, interface.sample)
        gate = gates.gate_of(self.plan, interface.sample, self.after_s, batch.start_s, rate, m)
        keep_between(found.sample, found.amplitude, found.count, gate.start, gate.stop)
        counted = gate.start
        if self.plan.mode == 3 and self.plan.interface_s is not None:
            counted = np.maximum(gate.start, measured + shape.tail)
        series = best_series(found, measured, counted, gate.stop, look.level, self.law(rate))
        left = self._left(signal, look, shape, found, measured, series)
        return self._judge(batch, look, found, interface, measured, gate, series, left)

    def look(
        self, batch: Batch, signal: NDArray[np.float32], shape: PulseShape, surveyed: Survey
    ) -> Look:
        """Where candidates are looked for in each record, and how high they must be.

        The level is so much noise (in mode 1 what noise alone hardly ever exceeds, because one
        echo is a reading there), and a share of the strongest echo: in mode 3 of those behind the
        tail of the interface echo, else of all, the interface echo among them (where that one is
        weak, the share is at most half of its reflection).
        """
        # A filter wraps what is loud at a record's start around to its end: the last echo that
        # counts is whole.
        plan, m, rate = self.plan, max(signal.shape[1] - shape.tail, 1), batch.rate_hz
        first, last = gates.search_samples(plan, self.after_s, batch.start_s, rate, m)
        sigma, share, behind = surveyed.sigma, self.settings.level_relative, first
        if plan.mode == 3:
            behind = gates.behind_tail(plan, self.after_s, shape.tail, batch.start_s, rate, m)
        elif plan.setup.interface_reflection is not None:
            share = min(share, 0.5 * abs(plan.setup.interface_reflection))
        least, sure = self.settings.level_sigma, 0.0
        if plan.interface_s is None or plan.mode == 1:
            band = plan.setup.bandwidth_hz / rate
            sure = noise_peak(m, surveyed.loudest.shape[1], band)
        if plan.mode == 1:  # one peak is a reading already
            least = max(least, sure)
        level = np.maximum(least * sigma, share * strongest(signal, surveyed, behind, last))
        if plan.mode == 3 and plan.interface_s is None:  # an echo before the gate has flanks in it
            first = np.maximum(first - len(shape.lobes) // 2, 0)
        separation = int(0.3 * plan.period_s * rate)
        return Look(first, last, behind, sigma, level, sure * sigma, separation, surveyed)

    def _left(
        self,
        signal: NDArray[np.float32],
        look: Look,
        shape: PulseShape,
        found: Candidates,
        measured: NDArray[np.float64],
        series: Series,
    ) -> NDArray[np.float64]:
        """Share of the energy behind the tail that the candidates do not explain, (n,)."""
        m = max(signal.shape[1] - shape.tail, 1)
        begin = gates.inside(measured + shape.tail, m)
        if self.plan.interface_s is None:
            begin = look.behind
        end = gates.inside(series.last + shape.tail, m)
        wanted = series.share >= self.settings.evenness
        if self.plan.setup.reference_echo is None:  # nobody knows what an echo should look like
            wanted[:] = False
        left, room = np.empty(len(signal)), np.empty(signal.shape[1], np.float32)
        unexplained(
            signal, wanted, begin, end, look.sigma,
            found.sample, found.amplitude, found.count, shape.phases, room, left,
        )  # fmt: skip
        return left

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
        look: Look,
        found: Candidates,
        interface: Interface,
        measured: NDArray[np.float64],
        gate: gates.Gate,
        series: Series,
        left: NDArray[np.float64],
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
        reason = self._reasons(look, found, interface, series, left, thickness, rate)
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

    def _odd_heights(self, found: Candidates, interface: Interface) -> NDArray[np.bool_]:
        """Whether the interface echo's height cannot go with that of the strongest other echo."""
        reflection = self.plan.setup.interface_reflection
        if self.plan.mode != 2 or reflection is None:
            return np.zeros(found.count.shape, np.bool_)
        expected = found.highest * abs(reflection) / (1 - reflection**2)
        height = np.abs(interface.amplitude)
        odd = (height < HEIGHT_AT_LEAST * expected) | (height > HEIGHT_AT_MOST * expected)
        return np.asarray(odd)

    def _could_be_other(
        self, found: Candidates, interface: Interface, series: Series, rate_hz: float
    ) -> NDArray[np.bool_]:
        """Whether the series could as well be every second echo, or an echo and its own flank."""
        period = self.plan.period_s * rate_hz
        if self.plan.mode == 3:
            overlap = series.spacing < CLOSE_PERIODS * period
            doubtful = overlap & (series.share < self.close_share)
            return np.asarray(doubtful | (series.between > BETWEEN_AT_MOST))
        close = series.spacing < FLANK_PERIODS * period
        return np.asarray(close & (np.abs(interface.amplitude) < FLANK_SHARE * found.highest))

    def _confidence(self, series: Series, rate_hz: float) -> NDArray[np.float64]:
        """Share of the energy explained, less for echoes that lie off their places."""
        slack = SLACK_PERIODS * self.plan.period_s * rate_hz
        even = np.exp(-((series.misfit / slack) ** 2))
        return np.clip(series.share - 0.5 * series.rival, 0, 1) * even

    def _reasons(
        self,
        look: Look,
        found: Candidates,
        interface: Interface,
        series: Series,
        left: NDArray[np.float64],
        thickness: NDArray[np.float64],
        rate_hz: float,
    ) -> NDArray[np.int8]:
        """Why not: the first doubt that holds, `Reason.READ` where none does."""
        wants_interface = self.plan.interface_s is not None
        low, high = self.plan.setup.wall_range
        tol = self.plan.setup.tolerance.of(thickness)
        doubts = [
            (np.isnan(look.sigma), Reason.BAD_SAMPLES),
            (wants_interface & np.isnan(interface.sample), Reason.NO_INTERFACE_ECHO),
            ((found.count == 0) | (found.highest < look.sure), Reason.NO_ECHO),
            ((self.plan.mode == 3) & (found.count < 2), Reason.NO_SECOND_ECHO),
            (~np.isfinite(thickness), Reason.UNEVEN_SPACING),
            (series.share < self.settings.evenness, Reason.UNEVEN_SPACING),
            (series.rival > RIVAL_SHARE * series.attested, Reason.AMBIGUOUS),
            (self._could_be_other(found, interface, series, rate_hz), Reason.AMBIGUOUS),
            (left > LEFT_AT_MOST, Reason.POOR_FIT),
            (self._odd_heights(found, interface), Reason.POOR_FIT),
            ((thickness < low - tol) | (thickness > high + tol), Reason.OUT_OF_RANGE),
        ]
        return first_doubt(doubts)


def first_doubt(doubts: Sequence[tuple[NDArray[np.bool_], Reason]]) -> NDArray[np.int8]:
    """The first doubt that holds in each record, `Reason.READ` where none does, (n,)."""
    reason = np.full(doubts[0][0].shape, Reason.READ, np.int8)
    for doubt, why in reversed(doubts):
        reason[doubt] = why
    return reason
