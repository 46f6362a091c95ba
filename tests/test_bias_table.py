"""The table of biases: bins of equal number, and the mean of what is in them."""

import numpy as np
import pandas as pd

from benchmarks.bias import BINS, binned


def test_bins_hold_equal_numbers_and_their_means():
    column = np.random.default_rng(3).permutation(600).astype(float)
    errors = pd.DataFrame({"gap": column, "error_um": 2 * column + 1})
    table = binned(errors, "gap")
    assert table["size"].tolist() == [100] * BINS
    np.testing.assert_allclose(table["mean"], 2 * (np.arange(BINS) * 100 + 49.5) + 1)
