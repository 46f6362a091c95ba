"""A second way to make A-scans: travelling waves in the time domain, for tests only.

It shares no code with the forward model that makes the corpora. ``python -m tests.timedomain``
(from the project's folder) prints how far the two differ, case by case.
"""
