"""Hypothesis looks for a batch on which a law fails, and shrinks it to the smallest."""

import tempfile
from collections.abc import Callable
from typing import Any

from hypothesis import HealthCheck, Phase, Verbosity, configuration, given, settings
from hypothesis import strategies as st
from hypothesis.errors import Flaky

from echotrial.testing.case import Broken
from echotrial.testing.limit import Budget
from echotrial.testing.signals import Record

#: Batches tried for each law and scene, and how many of them whatever they cost.
EXAMPLES, LEAST = 12, 4
#: Seconds after which a law that holds so far is tried no more.
PATIENCE_S = 2.0

# Nothing is kept between runs: a contract that depends on what was found yesterday is no contract.
configuration.set_hypothesis_home_dir(tempfile.gettempdir())
_QUIETLY = settings(
    max_examples=EXAMPLES,
    database=None,
    deadline=None,
    derandomize=True,
    report_multiple_bugs=False,
    phases=(Phase.generate, Phase.shrink),
    suppress_health_check=list(HealthCheck),
    verbosity=Verbosity.quiet,
)

#: Clear echoes of walls inside the range; shrinks to the thinnest wall at the least height.
RECORDS: st.SearchStrategy[Record] = st.builds(
    Record,
    wall_share=st.integers(0, 100).map(lambda n: n / 100),
    height=st.integers(20, 90).map(lambda n: n / 100),
    snr_db=st.integers(40, 70).map(float),
    noise_seed=st.integers(0, 999),
    late=st.integers(0, 7),
)


def batches(least: int = 1) -> st.SearchStrategy[list[Record]]:
    """Lists of records, `least` to six of them."""
    return st.lists(RECORDS, min_size=least, max_size=6)


def search(law: Callable[..., None], *drawn: st.SearchStrategy[Any]) -> None:
    """Call `law` with drawn arguments; raises `Broken` for the smallest ones that break it."""
    smallest: list[Broken] = []
    budget, tried = Budget(PATIENCE_S), 0

    def trial(arguments: tuple[Any, ...]) -> None:
        nonlocal tried
        tried += 1
        if tried > LEAST and budget.spent and not smallest:
            return
        try:
            law(*arguments)
        except Broken as broken:
            smallest[:] = [broken]
            raise

    try:
        _QUIETLY(given(st.tuples(*drawn))(trial))()
    except Broken as broken:
        raise Broken(broken.message, broken.case) from None
    except Flaky:  # it broke, and then did not on the very same batch
        again = "; asked again about the same batch, it answers differently"
        raise Broken(smallest[0].message + again, smallest[0].case) from None
