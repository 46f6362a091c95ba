"""Time and memory over the number of records and of workers, printed as a table.

``python -m benchmarks.scale 1000 10000 100000 1000000 --workers 1 2 --evidence`` goes further and
keeps table and picture.
"""

import pandas as pd

from benchmarks.scale import BASICS, scaled

LIMIT_MB = 600


def test_memory_does_not_grow_with_the_records(capsys):
    rows = pd.DataFrame(scaled([1000, 10_000, 50_000], [1, 2], BASICS, ["engine"]))
    with capsys.disabled():
        print(f"\n{rows.round(2).to_string(index=False)}")
    assert rows[["parent_mb", "worker_mb"]].max().max() < LIMIT_MB
