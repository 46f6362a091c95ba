"""The table of ratios, measured and printed: ``python -m pytest benchmarks`` shows it."""

from benchmarks.ratios import lines, table


def test_table(capsys):
    found = list(lines())
    with capsys.disabled():
        print(f"\n{table(found)}")
    assert all(line.ratio > 0 for line in found)
