"""Bias of a detector's readings on the walls of a spec, by bins of a column of the truth.

``python -m benchmarks.bias SPEC DETECTOR COLUMN [--size run|standard]`` prints mean, spread and
number of the errors of all readings within twice the tolerance (farther off it is another echo).
``python -m benchmarks.bias nylon-tube-mismatched correlation couplant_gap_um``, say.
"""

import argparse
from collections.abc import Sequence

import numpy as np
import pandas as pd
from echotrial import host
from echotrial.corpus.build import build

BINS = 6


def errors_um(spec: str, detector: str, size: str) -> pd.DataFrame:
    """The truth of every record that is read, with the reading's `error_um`."""
    loaded = host.load()
    entry = next(e for e in loaded.corpora.values() if e.name == spec)
    corpus = build(loaded, loaded.forward_model.read_spec(entry.path), size=size)
    (found,) = loaded.chosen((detector,))
    detect = found.factory().prepare(corpus.setup, found.factory.Settings())
    starts = range(0, len(corpus), 2048)
    read = [detect(corpus.batch(i, min(i + 2048, len(corpus)))).thickness_m for i in starts]
    error = np.concatenate(read) - 1e-3 * corpus.truth["thickness_mm"].to_numpy()
    near = np.abs(error) <= 2 * corpus.setup.tolerance.of(np.concatenate(read))
    return corpus.truth.assign(error_um=1e6 * error)[near]


def binned(errors: pd.DataFrame, column: str) -> pd.DataFrame:
    """Mean, spread and number of the errors in bins of equal number, in order."""
    cut = pd.qcut(errors[column], BINS, duplicates="drop")
    return errors.groupby(cut, observed=True)["error_um"].agg(["mean", "std", "size"])


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.bias")
    parser.add_argument("spec")
    parser.add_argument("detector")
    parser.add_argument("column")
    parser.add_argument("--size", default="run", help="smoke, run or standard")
    asked = parser.parse_args(arguments)
    table = binned(errors_um(asked.spec, asked.detector, asked.size), asked.column)
    print(table.to_string(float_format="{:+.2f}".format))


if __name__ == "__main__":
    main()
