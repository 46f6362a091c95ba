"""Bounds cover as often as their construction lets them (see `tests.coverage_table`)."""

import numpy as np
import pytest

from tests.coverage_table import CLAIMS, Claim, measure


@pytest.mark.slow
@pytest.mark.parametrize("claim", CLAIMS, ids=lambda c: c.what)
def test_bounds_cover(claim: Claim) -> None:
    """Three standard errors of the Monte Carlo are allowed for."""
    noise = 3 * np.sqrt(0.05 * 0.95 / claim.repeats)
    assert measure(claim) >= claim.at_least - noise


@pytest.mark.slow
def test_traces_taken_for_independent_do_not_cover() -> None:
    """The table can show a bad bound: this one claims 0.95."""
    claim = next(c for c in CLAIMS if c.what.startswith("(as if independent"))
    assert measure(claim) < 0.85
