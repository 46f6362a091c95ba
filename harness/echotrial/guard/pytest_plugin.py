"""A pytest fixture that fails a test where detection accuracy got worse.

Imported by every pytest run of an environment that has this package, so it imports nothing heavy.

    def test_accuracy_holds(echotrial_guard):
        echotrial_guard("baseline.toml", corpora=["bench-steps"], plugins=["my_idea.py"])
"""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from echotrial.guard.report import Report

Guard = Callable[..., "Report"]


@pytest.fixture(scope="session")
def echotrial_guard(pytestconfig: pytest.Config) -> Guard:
    """Give a function that runs a trial and fails the test where it is worse than its baseline.

    Relative paths count from the root directory of the test run. What the function takes is what
    ``echotrial guard`` takes: the baseline file, ``corpora``, ``margins`` (a file), ``plugins``
    (files), ``settings`` (detector -> setting -> value), ``workers``. It returns the report.
    """
    root = pytestconfig.rootpath

    def guard(
        baseline: str | Path,
        *,
        corpora: Sequence[str] = (),
        margins: str | Path | None = None,
        plugins: Sequence[str | Path] = (),
        settings: Mapping[str, Mapping[str, Any]] | None = None,
        workers: int = 0,
        use_entry_points: bool = True,
    ) -> "Report":
        from echotrial.compare import read_rules
        from echotrial.errors import EchotrialError
        from echotrial.guard.conduct import Wanted
        from echotrial.guard.conduct import guard as run
        from echotrial.guard.summary import summary

        wanted = Wanted(
            corpora,
            plugins=[root / p for p in plugins],
            settings=settings or {},
            workers=workers,
            use_entry_points=use_entry_points,
        )
        try:
            report = run(
                root / baseline, wanted, read_rules(None if margins is None else root / margins)
            )
        except EchotrialError as error:
            pytest.fail(f"echotrial guard: {error}", pytrace=False)
        if not report.passed:
            pytest.fail(f"echotrial guard: {report.answer}\n\n{summary(report)}", pytrace=False)
        return report

    return guard
