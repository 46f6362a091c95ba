"""How often the project's bounds really cover, by Monte Carlo: ``python -m tests.coverage_table``.

Every row draws data from a law that is known, asks for a bound, and counts how often the truth lies
within it. `promised` is what the bound claims, `at_least` what its construction guarantees or, for
approximate ones, what is taken as good enough to use.
"""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import pandas as pd
from echotrial.scores.confidence import threshold_for
from echotrial.scores.hit_miss import hit_miss
from echotrial.scores.intervals import upper_bound, wilson
from echotrial.scores.precision import bias_interval
from echotrial.scores.rates import at_most, rate
from echotrial.scores.sampling import Sampling
from echotrial.scores.thin_wall import hit_limit

FREE = Sampling()
Trial = Callable[[np.random.Generator], bool]


class Claim(NamedTuple):
    """A bound under test; `covers` makes one data set and says whether the bound holds."""

    what: str
    promised: float
    at_least: float
    repeats: int
    covers: Trial


def wilson_of(p: float, n: int) -> Trial:
    def covers(rng: np.random.Generator) -> bool:
        low, high = wilson(rng.binomial(n, p), n)
        return low <= p <= high

    return covers


def exact_of(p: float, n: int) -> Trial:
    def covers(rng: np.random.Generator) -> bool:
        return bool(p <= upper_bound(rng.binomial(n, p), n))

    return covers


def simultaneous(p: float, n: int, bins: int) -> Trial:
    """Whole and bins at once, as trust asks for them."""

    def covers(rng: np.random.Generator) -> bool:
        k = rng.binomial(n, p, bins)
        alpha = 0.05 / (bins + 1)
        return bool(
            (p <= upper_bound(k, n, alpha)).all() and p <= upper_bound(k.sum(), n * bins, alpha)
        )

    return covers


def clustered(specimens: int, traces: int, spread: float, two_sided: bool) -> Trial:
    """Each specimen has its own rate, beta-distributed about 0.2; `spread` is the correlation."""
    shape = (1 - spread) / spread
    codes = np.repeat(np.arange(specimens), traces)
    everyone = np.ones(codes.size, dtype=bool)

    def covers(rng: np.random.Generator) -> bool:
        own = rng.beta(0.2 * shape, 0.8 * shape, specimens)
        events = rng.random(codes.size) < own[codes]
        if two_sided:
            low, high = rate(events, everyone, Sampling(codes)).interval
            return low <= 0.2 <= high
        return at_most(events, everyone, Sampling(codes)) >= 0.2

    return covers


def naive(specimens: int, traces: int, spread: float) -> Trial:
    """The same traces taken for independent records: what clustering saves us from."""
    shape = (1 - spread) / spread
    everyone = np.ones(specimens * traces, dtype=bool)

    def covers(rng: np.random.Generator) -> bool:
        own = np.repeat(rng.beta(0.2 * shape, 0.8 * shape, specimens), traces)
        low, high = rate(rng.random(own.size) < own, everyone, FREE).interval
        return low <= 0.2 <= high

    return covers


def bias_of(n: int) -> Trial:
    """Skewed errors: exponential, mean 1."""

    def covers(rng: np.random.Generator) -> bool:
        low, high = bias_interval(rng.exponential(1.0, n), FREE)[0]
        return low <= 1.0 <= high

    return covers


def bias_of_specimens(specimens: int) -> Trial:
    codes = np.repeat(np.arange(specimens), 10)

    def covers(rng: np.random.Generator) -> bool:
        error = rng.normal(0, 3, specimens)[codes] + rng.normal(0, 1, codes.size)
        low, high = bias_interval(error, Sampling(codes))[0]
        return low <= 0 <= high

    return covers


def regression(n: int) -> Trial:
    """The law and the walls of the published coverage run: 0.924 at n = 60."""
    wall = np.linspace(0.1e-3, 2.0e-3, n)
    p_hit, true = 1 / (1 + (wall / 0.6e-3) ** -4.0), 0.6e-3 * 9**0.25

    def covers(rng: np.random.Generator) -> bool:
        bound = hit_miss(wall, rng.random(n) < p_hit, FREE).wall_bound_m
        return not bound < true  # 'no estimate' claims nothing

    return covers


def binned(n: int) -> Trial:
    """Hits fall from 0.995 to just below 0.90 at 1 mm: no limit may lie below that."""
    wall = np.linspace(0.5e-3, 1.5e-3, n)
    p_hit = np.where(wall < 1e-3, 0.8999, 0.995)

    def covers(rng: np.random.Generator) -> bool:
        limit = hit_limit(wall, rng.random(n) < p_hit, FREE).wall_m
        return not limit < 1e-3 - 1e-6

    return covers


def threshold(n: int) -> Trial:
    """Readings lie with probability 0.1 (1 - P); the chosen threshold must keep 1 %."""
    levels = np.linspace(0, 1, 21)

    def covers(rng: np.random.Generator) -> bool:
        p = rng.choice(levels, n)
        lock = rng.random(n) < 0.1 * (1 - p)
        level = threshold_for(p, lock, ~lock, FREE, allowed=0.01).p_hit
        if np.isnan(level):
            return True
        return bool(np.sum(0.1 * (1 - levels[levels >= level - 1e-9])) / levels.size <= 0.01)

    return covers


CLAIMS = [
    Claim("Wilson, p 0.01, n 600", 0.95, 0.93, 4000, wilson_of(0.01, 600)),
    Claim("Wilson, p 0.5, n 60", 0.95, 0.93, 4000, wilson_of(0.5, 60)),
    Claim("Clopper-Pearson upper, p 0.01, n 600", 0.95, 0.95, 4000, exact_of(0.01, 600)),
    Claim("Clopper-Pearson upper, p 0.002, n 600", 0.95, 0.95, 4000, exact_of(0.002, 600)),
    Claim("upper, whole and 6 bins of 750 at once", 0.95, 0.95, 4000, simultaneous(0.01, 750, 6)),
    Claim("Wilson, 60 specimens of 10, r 0.3", 0.95, 0.92, 2000, clustered(60, 10, 0.3, True)),
    Claim("Wilson, 12 specimens of 10, r 0.3", 0.95, 0.92, 2000, clustered(12, 10, 0.3, True)),
    Claim("upper, 12 specimens of 10, r 0.3", 0.95, 0.90, 2000, clustered(12, 10, 0.3, False)),
    Claim("(as if independent, 60 of 10, r 0.3)", 0.95, 0.0, 2000, naive(60, 10, 0.3)),
    Claim("bias, bootstrap, 20 skewed errors", 0.95, 0.87, 1000, bias_of(20)),
    Claim("bias, bootstrap, 200 skewed errors", 0.95, 0.92, 600, bias_of(200)),
    Claim("bias, bootstrap of 12 specimens", 0.95, 0.86, 1000, bias_of_specimens(12)),
    Claim("bias, Student, 2000 skewed errors", 0.95, 0.93, 2000, bias_of(2000)),
    Claim("a90/95, 60 walls", 0.95, 0.89, 600, regression(60)),
    Claim("a90/95, 600 walls", 0.95, 0.92, 400, regression(600)),
    Claim("thin-wall limit, 2000 walls", 0.95, 0.95, 2000, binned(2000)),
    Claim("confidence threshold, 2000 walls", 0.95, 0.95, 500, threshold(2000)),
]


def measure(claim: Claim) -> float:
    """Share of repeats in which the truth lies within the bound."""
    rng = np.random.default_rng(20)
    return float(np.mean([claim.covers(rng) for _ in range(claim.repeats)]))


def coverage_table() -> pd.DataFrame:
    """Every claim with what was measured and the standard error of that."""
    rows = []
    for claim in CLAIMS:
        found = measure(claim)
        error = np.sqrt(max(found * (1 - found), 1 / claim.repeats) / claim.repeats)
        rows.append((*claim[:4], found, error))
    columns = ["bound", "promised", "at_least", "repeats", "measured", "standard_error"]
    return pd.DataFrame(rows, columns=columns)


if __name__ == "__main__":
    print(coverage_table().round(4).to_string(index=False))
