"""Random numbers by counter (Philox 4x64-10): any number of any record, without the ones before.

Salmon, Moraes, Dror, Shaw, "Parallel random numbers: as easy as 1, 2, 3", SC11. The counter is
(block, stream, record, 0) and the key a digest of names, so a new stream, or another chunking,
changes no other number.
"""

import hashlib
from functools import cache

import numpy as np
from numba import njit
from numpy.typing import NDArray

_M0, _M1 = np.uint64(0xD2E7470EE14C6C93), np.uint64(0xCA5A826395121157)
_W0, _W1 = np.uint64(0x9E3779B97F4A7C15), np.uint64(0xBB67AE8584CAA73B)
_LOW, _HALF = np.uint64(0xFFFFFFFF), np.uint64(32)
_TO_UNIT = 2.0**-53
_SHIFT = np.uint64(11)


def key_of(*names: object) -> tuple[np.uint64, np.uint64]:
    """Key hashed from names."""
    digest = hashlib.sha256("\x1f".join(map(str, names)).encode()).digest()
    first, second = np.frombuffer(digest[:16], dtype="<u8")
    return np.uint64(first), np.uint64(second)


@cache
def stream_of(name: str) -> np.uint64:
    """Stream hashed from a name."""
    return np.uint64(np.frombuffer(hashlib.sha256(name.encode()).digest()[:8], dtype="<u8")[0])


@njit(inline="always")
def _high(a, b):  # type: ignore[no-untyped-def]
    """Upper 64 bits of a 128-bit product."""
    a0, a1, b0, b1 = a & _LOW, a >> _HALF, b & _LOW, b >> _HALF
    middle = a1 * b0 + ((a0 * b0) >> _HALF)
    other = a0 * b1 + (middle & _LOW)
    return a1 * b1 + (middle >> _HALF) + (other >> _HALF)


@njit(cache=True, nogil=True)
def block(key0, key1, c0, c1, c2):  # type: ignore[no-untyped-def]
    """Four random 64-bit words of the counter (c0, c1, c2, 0)."""
    c3 = np.uint64(0)
    for _ in range(10):
        h0, l0 = _high(_M0, c0), _M0 * c0
        h1, l1 = _high(_M1, c2), _M1 * c2
        c0, c1, c2, c3 = h1 ^ c1 ^ key0, l1, h0 ^ c3 ^ key1, l0
        key0, key1 = key0 + _W0, key1 + _W1
    return c0, c1, c2, c3


@njit(cache=True, nogil=True)
def _uniforms(key0, key1, stream, start, found):  # type: ignore[no-untyped-def]
    for i in range(found.size):
        word = block(key0, key1, np.uint64(0), stream, np.uint64(start + i))[0]
        found[i] = (word >> _SHIFT) * _TO_UNIT


def uniforms(
    key: tuple[np.uint64, np.uint64], name: str, start: int, count: int
) -> NDArray[np.float64]:
    """One number in [0, 1) of stream `name` for each record from `start` on, (count,)."""
    found = np.empty(count)
    _uniforms(key[0], key[1], stream_of(name), start, found)
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def normals(key0, key1, stream, record, found):  # type: ignore[no-untyped-def]
    """Fill `found` (even length) with standard normals of one record (Box and Muller, 1958)."""
    pairs = found.size // 2
    for i in range(0, pairs, 4):
        words = block(key0, key1, np.uint64(i), stream, record)
        for j in range(min(4, pairs - i)):
            word = words[j]
            u = ((word >> _HALF) + 0.5) * 2.0**-32
            angle = (word & _LOW) * (2 * np.pi * 2.0**-32)
            radius = np.sqrt(-2 * np.log(u))
            found[2 * (i + j)] = radius * np.cos(angle)
            found[2 * (i + j) + 1] = radius * np.sin(angle)
