"""What the kernels are made of: complex numbers in two parts, and the compiler's settings.

Rows of real and imaginary parts, `apart` from each other in one array, are the form that
vectorises. LLVM can see that rows of one array do not overlap; it cannot for a dozen arrays. Small
parts, complex arithmetic and few array expressions keep the time down that compiling takes.
"""

# mypy: disable-error-code="no-untyped-def, no-untyped-call"

import math
from collections.abc import Callable
from typing import Any

from numba import njit

#: Untyped: its stub leaves these wrappers out.
_njit: Any = njit
_OPTIONS: dict[str, Any] = {
    "nogil": True,
    "error_model": "numpy",
    "fastmath": {"contract", "reassoc", "nsz"},
    "no_cfunc_wrapper": True,
}
#: A part of a kernel: never called from Python, so compiled without the wrapper for that. Always
#: inlined: of a function that is not, the process that compiles runs another copy, rounded
#: otherwise in the last digit, than those that load the kernel from the cache.
part: Callable[[Any], Any] = _njit(**_OPTIONS, no_cpython_wrapper=True, forceinline=True)
#: A kernel.
kernel: Callable[[Any], Any] = _njit(**_OPTIONS, cache=True)


@part
def at(w, j, apart):
    """The number at `j`."""
    return complex(w[j], w[j + apart])


@part
def put(w, j, apart, z):
    """Store z at `j`."""
    w[j] = z.real
    w[j + apart] = z.imag


@part
def scaled(z, a):
    """Real multiple of z: numba would multiply by a + 0j."""
    return complex(z.real * a, z.imag * a)


@part
def over(z):
    """1 / z, in the plain way that vectorises."""
    q = 1 / (z.real * z.real + z.imag * z.imag)
    return complex(z.real * q, -z.imag * q)


@part
def exponential(z):
    """exp(z), without the care for infinities that the library's takes."""
    size = math.exp(z.real)
    return complex(size * math.cos(z.imag), size * math.sin(z.imag))


@part
def between(nodes, i, k, spacing):
    """What stands at bin k of record i on straight lines through `nodes`, (n, nodes)."""
    j = k // spacing
    return nodes[i, j] + scaled(nodes[i, j + 1] - nodes[i, j], (k - j * spacing) / spacing)
