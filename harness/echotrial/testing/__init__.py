"""The contract every detector must pass, for plugin authors' own pytest.

In a test file of yours::

    import pytest
    from echotrial.testing import CHECKS
    from my_idea import MyIdea

    @pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
    def test_contract(check):
        check(MyIdea).require()

A check that fails shows the smallest record found on which it does. ``echotrial detector check``
runs the same on the command line. It needs the package ``hypothesis``.
"""

from echotrial.testing.case import Broken, Case
from echotrial.testing.contract import CHECKS, Check, Result, examine
from echotrial.testing.signals import SCENES, Record, Scene, batch_of

__all__ = [
    "CHECKS",
    "SCENES",
    "Broken",
    "Case",
    "Check",
    "Record",
    "Result",
    "Scene",
    "batch_of",
    "examine",
]
