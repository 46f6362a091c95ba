"""What one comparison of one quantity says: effect, intervals, p-values. No verdict yet."""

from dataclasses import dataclass

from echotrial.scores.intervals import NO_INTERVAL, Interval


@dataclass(frozen=True)
class Finding:
    """One quantity of one detector on one corpus, before and after.

    Attributes
    ----------
    corpus, detector, quantity
        What was compared.
    unit
        1 for rates and for the growth of the spread, um for errors.
    records
        `prove` records of the corpus.
    n
        Records this rests on.
    differing
        Of them (or of their specimens) those that differ.
    before, after
        The quantity in A and in B.
    effect, interval
        Its change, with the 95 % interval.
    margin
        Up to which a change is none, in the same unit.
    p, p_adjusted
        Two-sided p-value of no change; the same corrected for all questions asked.
    p_equivalence
        That the change is not within the margin.
    worsening
        Whether a change of this sign is one to the worse.
    sd_one
        Standard deviation of one record's share in the effect, on the scale of `reach`.
    method
        The test behind `p`.
    more, fewer
        Of a rate: records with the event after only, and before only.
    """

    corpus: str
    detector: str
    quantity: str
    unit: str
    records: int
    n: int
    differing: int
    before: float
    after: float
    effect: float
    interval: Interval = NO_INTERVAL
    margin: float = 0.0
    p: float = 1.0
    p_equivalence: float = 1.0
    worsening: bool = False
    sd_one: float = float("nan")
    method: str = ""
    more: int = 0
    fewer: int = 0
    p_adjusted: float = 1.0

    @property
    def is_rate(self) -> bool:
        """Whether it counts records."""
        return self.unit == "1" and self.quantity != "spread"
