"""Counting all bins of a stratum at once gives what masks bin by bin give."""

import numpy as np
import pytest
from echotrial.outcome import Direction, Outcome
from echotrial.scores.binned import _by_counts, _by_masks, in_bins
from echotrial.scores.panel import Panel
from echotrial.scores.sampling import Sampling
from echotrial.scores.single import Single
from echotrial.scores.strata import Bin
from echotrial.scores.verdict import Limits

from tests.planted import SETUP, truth_table


def planted(n: int, seed: int, *, constant: bool = False) -> tuple[Single, list[Bin]]:
    """Outcomes, directions and errors at random, in four bins of very different size (invented)."""
    rng = np.random.default_rng(seed)
    truth = truth_table().iloc[np.arange(n) % 5000].reset_index(drop=True)
    code = rng.integers(0, len(Outcome), (1, n)).astype(np.int8)
    direction = rng.integers(0, len(Direction), (1, n)).astype(np.int8)
    error = np.full((1, n), 0.1) if constant else rng.normal(1e3, 0.1, (1, n))
    given = np.isin(code, [list(Outcome).index(o) for o in (Outcome.HIT, Outcome.OFF)])
    error[~given & (code != list(Outcome).index(Outcome.UNDECIDED))] = np.nan
    panel = Panel("invented", SETUP, ("some",), truth, code, direction, error, error)
    places = rng.choice(np.array([-1, 0, 1, 2, 3], np.int8), n, p=[0.2, 0.01, 0.19, 0.3, 0.3])
    names = ("a", "b", "c", "d")
    bins = [
        Bin("letter", name, places, i, bool((places == i).sum() > 100))
        for i, name in enumerate(names)
        if (places == i).any()
    ]
    return Single(panel, 0, Sampling(), Limits()), bins


@pytest.mark.parametrize("n", [4, 40, 100_000])
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("constant", [False, True])
def test_counts_against_masks(n: int, seed: int, constant: bool) -> None:
    one, bins = planted(n, seed, constant=constant)
    for by_counts, by_masks in zip(
        _by_counts(one, bins, 0.01), _by_masks(one, bins, 0.01), strict=True
    ):
        assert by_counts.rates == by_masks.rates
        for bound in ("hit_at_least", "false_lock_at_most"):
            assert getattr(by_counts, bound) == pytest.approx(getattr(by_masks, bound), nan_ok=True)
        ours, theirs = by_counts.error, by_masks.error
        assert (ours.n, ours.note) == (theirs.n, theirs.note)
        assert (ours.bias, ours.sd, *ours.bias_interval) == pytest.approx(
            (theirs.bias, theirs.sd, *theirs.bias_interval), rel=1e-9, nan_ok=True
        )


def test_bounds_share_the_level_among_the_bins_that_decide() -> None:
    one, bins = planted(2000, 0)
    deciding = sum(part.decides for part in bins)
    assert 1 < deciding < len(bins)
    found, alone = in_bins(one, bins), _by_masks(one, bins, one.limits.alpha / deciding)
    assert [b.hit_at_least for b in found] == pytest.approx([b.hit_at_least for b in alone])
