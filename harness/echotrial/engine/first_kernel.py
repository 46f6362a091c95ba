"""A kernel that does nothing: with its first one numba sets itself up, for a quarter of a second.

Where that is done before processes are forked, none of them has to.
"""

import numba


@numba.njit("float64(float64)", cache=True)
def same(x: float) -> float:
    """Give the number back."""
    return x


same(0.0)
