"""From candidate echoes to readings: interface echo, gate, series, doubts."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, fields
from functools import cached_property

import numpy as np
from echotrial.ascan import Batch, Readings, Reason
from numpy.typing import NDArray

from echotrial_detectors import gate as gates
from echotrial_detectors.diffraction import Spreading
from echotrial_detectors.interface import WALL_AT_LEAST, least_share
from echotrial_detectors.look import Look, look
from echotrial_detectors.multiples import Law, Series
from echotrial_detectors.noise import STRETCH, noise_peak
from echotrial_detectors.peaks import MOST, Candidates
from echotrial_detectors.plan import EchoSettings, Plan
from echotrial_detectors.pulse import PulseShape
from echotrial_detectors.settle import SETTLED, Room, Rules, settle
from echotrial_detectors.tiles import TILE, Portion

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


Finder = Callable[[Portion, Look, PulseShape, Candidates], None]


@dataclass(eq=False)
class Settled:
    """What the candidates of each record came to, (n,) each.

    `interface` (its sample, NaN where there is none) and the other arrays are `settle.SETTLED`.
    """

    series: Series
    interface: NDArray[np.float64]
    interface_height: NDArray[np.float64]
    gate_start: NDArray[np.float64]
    count: NDArray[np.float64]
    highest: NDArray[np.float64]
    left: NDArray[np.float64]
    first: NDArray[np.float64]
    last: NDArray[np.float64]


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
    lead
        Share of the interface echo that stands in the records.
    spreads
        Whether echoes that come early as the beam spreads are put back.
    """

    plan: Plan
    settings: EchoSettings
    after_s: float
    close_share: float = 0.0
    lead: float = 1.0
    spreads: bool = True

    @cached_property
    def _spreading(self) -> Spreading:
        return Spreading(self.plan)

    def _early(self, rate_hz: float, m: int) -> NDArray[np.float64]:
        return self._spreading.early(rate_hz, m) if self.spreads else np.empty(0)

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
        shape: PulseShape,
        portions: Iterable[Portion],
        find: Finder,
        *,
        cosine: bool = False,
    ) -> Readings:
        """Give the readings of a batch.

        Parameters
        ----------
        batch
            The records.
        shape
            What one echo leaves in the signal.
        portions
            What of them echoes are looked for in: the records themselves, a correlation. Each
            portion is done with while it is in the processor's cache.
        find
            Fills in the candidates of a portion.
        cosine
            Lay a cosine through each candidate that no stronger one explains.
        """
        n, rate = len(batch), batch.rate_hz
        # A filter wraps what is loud at a record's start around to its end: the last echo that
        # counts is whole.
        m = max(batch.samples.shape[1] - shape.tail, 1)
        first, last, behind = self._where(batch, shape, m)
        least, sure, share = self._heights(batch, m)
        origin = (self.plan.origin_s - batch.start_s) * rate
        gate_from = ((self.plan.interface_s or 0.0) - batch.start_s) * rate
        gate_stop = np.minimum((gates.end_s(self.plan) - batch.start_s) * rate, m - 1.0)
        rules, law = self._rules(shape, rate, m, cosine), self.law(rate)
        separation = int(0.3 * self.plan.period_s * rate)
        early = self._early(rate, batch.samples.shape[1])
        found, room = Candidates.none(min(TILE, n)), Room.of(MOST, batch.samples.shape[1])
        settled, sigma = np.empty((n, len(SETTLED) + len(fields(Series)))), np.empty(n)
        for portion in portions:
            rows = portion.rows
            seen = look(
                portion.signal,
                first[rows],
                last[rows],
                behind[rows],
                least,
                share,
                separation,
                portion.stretches,
            )
            find(portion, seen, shape, found)
            settle(
                portion.signal, found.sample, found.amplitude, found.count, rules, law,
                shape.lobes, shape.phases, behind[rows], seen.sigma, seen.level, origin[rows],
                gate_from[rows], gate_stop[rows], early, room, settled[rows],
            )  # fmt: skip
            sigma[rows] = seen.sigma
        parts = np.ascontiguousarray(settled.T)
        own, series = parts[: len(SETTLED)], Series(*parts[len(SETTLED) :])
        return self._judge(batch, sigma, sure, Settled(series, *own), origin, gate_stop)

    def _where(
        self, batch: Batch, shape: PulseShape, m: int
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
        """First and last sample that candidates are looked for between, and the tail's end."""
        plan, rate = self.plan, batch.rate_hz
        first, last = gates.search_samples(plan, self.after_s, batch.start_s, rate, m)
        if plan.mode != 3:
            return first, last, first
        behind = gates.behind_tail(plan, self.after_s, shape.tail, batch.start_s, rate, m)
        if plan.interface_s is None:  # an echo before the gate has flanks in it
            first = np.maximum(first - len(shape.lobes) // 2, 0)
        return first, last, behind

    def _heights(self, batch: Batch, m: int) -> tuple[float, float, float]:
        """How many sigma a candidate and the strongest one must exceed, and the former's share.

        The share is of the strongest echo: in mode 3 of those behind the tail of the interface
        echo, else of all, the interface echo among them (where that one is weak, the share is at
        most half of its reflection). In mode 1 a candidate must exceed what noise alone hardly ever
        does, because one echo is a reading there; without an interface echo the strongest one must,
        because nothing else tells echoes from noise.
        """
        plan, share = self.plan, self.settings.level_relative
        least, sure = self.settings.level_sigma, 0.0
        if plan.mode != 3 and plan.setup.interface_reflection is not None:
            share = min(share, 0.5 * abs(plan.setup.interface_reflection))
        if plan.interface_s is None or plan.mode == 1:
            stretches = batch.samples.shape[1] // min(STRETCH, batch.samples.shape[1])
            sure = noise_peak(m, stretches, plan.setup.bandwidth_hz / batch.rate_hz)
        if plan.mode == 1:
            least = max(least, sure)
        return least, sure, share

    def _rules(self, shape: PulseShape, rate_hz: float, m: int, cosine: bool) -> Rules:
        plan = self.plan
        known = plan.setup.reference_echo is not None  # else nobody knows what an echo looks like
        return Rules(
            end=m,
            tail=shape.tail,
            cosine=cosine,
            interface=plan.interface_s is not None,
            reach=gates.interface_reach_s(plan) * rate_hz,
            sign=plan.interface_sign,
            after=self.after_s * rate_hz,
            behind_tail=plan.mode == 3 and plan.interface_s is not None,
            evenness=float(self.settings.evenness) if known else np.inf,
        )

    def _judge(
        self,
        batch: Batch,
        sigma: NDArray[np.float64],
        sure: float,
        found: Settled,
        origin: NDArray[np.float64],
        gate_stop: NDArray[np.float64],
    ) -> Readings:
        plan, rate, start, series = self.plan, batch.rate_hz, batch.start_s, found.series
        orders = series.last_order - series.first_order
        if plan.mode == 3:
            first, last, spans = found.first, found.last, orders
            spacing = (series.last - series.first) / np.where(spans > 0, spans, np.nan)
        else:
            first = np.where(np.isnan(found.interface), origin, found.interface)
            last, spans = found.first, np.ones(len(batch))
            spacing = series.first - first
        interval = start + series.first / rate if plan.mode == 1 else spacing / rate
        thickness = plan.setup.thickness_m(interval, 1, mode=plan.mode)
        reason = self._reasons(sigma, sure, found, thickness, rate)
        silent = reason != Reason.READ
        return Readings(
            np.where(silent, np.nan, thickness),
            np.where(silent | (plan.mode == 1), np.nan, start + first / rate),
            np.where(silent, np.nan, start + last / rate),
            np.where(silent, np.nan, spans),
            start + found.gate_start / rate,
            start + gate_stop / rate,
            np.where(silent, np.nan, self._confidence(series, rate)),
            reason,
        )

    def _odd_heights(self, found: Settled) -> NDArray[np.bool_]:
        """Whether the interface echo's height cannot go with that of the strongest other echo."""
        reflection = self.plan.setup.interface_reflection
        if self.plan.mode == 3:
            least = least_share(self.plan, WALL_AT_LEAST) / self.lead
            return np.asarray(found.highest < least * np.abs(found.interface_height))
        if self.plan.mode == 1 or reflection is None:
            return np.zeros(found.count.shape, np.bool_)
        expected = found.highest * abs(reflection) / (1 - reflection**2)
        height = np.abs(found.interface_height)
        odd = (height < HEIGHT_AT_LEAST * expected) | (height > HEIGHT_AT_MOST * expected)
        return np.asarray(odd)

    def _could_be_other(self, found: Settled, rate_hz: float) -> NDArray[np.bool_]:
        """Whether the series could as well be every second echo, or an echo and its own flank."""
        period, series = self.plan.period_s * rate_hz, found.series
        if self.plan.mode == 3:
            overlap = series.spacing < CLOSE_PERIODS * period
            doubtful = overlap & (series.share < self.close_share)
            return np.asarray(doubtful | (series.between > BETWEEN_AT_MOST))
        close = series.spacing < FLANK_PERIODS * period
        return np.asarray(close & (np.abs(found.interface_height) < FLANK_SHARE * found.highest))

    def _confidence(self, series: Series, rate_hz: float) -> NDArray[np.float64]:
        """Share of the energy explained, less for echoes that lie off their places."""
        slack = SLACK_PERIODS * self.plan.period_s * rate_hz
        even = np.exp(-((series.misfit / slack) ** 2))
        return np.clip(series.share - 0.5 * series.rival, 0, 1) * even

    def _reasons(
        self,
        sigma: NDArray[np.float64],
        sure: float,
        found: Settled,
        thickness: NDArray[np.float64],
        rate_hz: float,
    ) -> NDArray[np.int8]:
        """Why not: the first doubt that holds, `Reason.READ` where none does."""
        wants_interface, series = self.plan.interface_s is not None, found.series
        low, high = self.plan.setup.wall_range
        tol = self.plan.setup.tolerance.of(thickness)
        doubts = [
            (np.isnan(sigma), Reason.BAD_SAMPLES),
            (wants_interface & np.isnan(found.interface), Reason.NO_INTERFACE_ECHO),
            ((found.count == 0) | (found.highest < sure * sigma), Reason.NO_ECHO),
            ((self.plan.mode == 3) & (found.count < 2), Reason.NO_SECOND_ECHO),
            (~np.isfinite(thickness), Reason.UNEVEN_SPACING),
            (series.share < self.settings.evenness, Reason.UNEVEN_SPACING),
            (series.rival > RIVAL_SHARE * series.attested, Reason.AMBIGUOUS),
            (self._could_be_other(found, rate_hz), Reason.AMBIGUOUS),
            (found.left > LEFT_AT_MOST, Reason.POOR_FIT),
            (self._odd_heights(found), Reason.POOR_FIT),
            ((thickness < low - tol) | (thickness > high + tol), Reason.OUT_OF_RANGE),
        ]
        return first_doubt(doubts)


def first_doubt(doubts: Sequence[tuple[NDArray[np.bool_], Reason]]) -> NDArray[np.int8]:
    """The first doubt that holds in each record, `Reason.READ` where none does, (n,)."""
    reason = np.full(doubts[0][0].shape, Reason.READ, np.int8)
    for doubt, why in reversed(doubts):
        reason[doubt] = why
    return reason
