"""How those kernels are compiled that loop over records and make no arrays."""

from typing import Any

#: A row of an array is an array of its own, whose users numba counts: up and down by atomic
#: operations, a dozen a record, a tenth of a microsecond in each kernel. Who makes no arrays need
#: not count; numba's own kernels for strings are compiled like this.
COUNTS_NOTHING: dict[str, Any] = {
    "cache": True, "nogil": True, "error_model": "numpy", "_nrt": False
}  # fmt: skip
