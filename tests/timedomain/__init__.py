"""A second way to make A-scans: travelling waves in the time domain, for tests only.

It shares no code with the forward model that makes the corpora. ``python -m
tests.test_time_domain``, from the project's folder, prints how far the two differ.
"""
