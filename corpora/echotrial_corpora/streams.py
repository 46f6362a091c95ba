"""Random numbers hashed from names: any tile of any quantity, without the ones before it.

A new quantity, another chunking or another order changes no other number.
"""

import hashlib

import numpy as np


def stream(*names: object) -> np.random.Generator:
    """The generator of these names and nothing else.

    numpy's Philox (Salmon, Moraes, Dror, Shaw, SC11) with a key that is a digest of names.
    """
    return np.random.Generator(np.random.Philox(key=_key(*names)))


def bulk(*names: object) -> np.random.Generator:
    """The same where thousands of numbers a record are drawn: numpy's SFC64, twice as fast.

    Seeded by ``SeedSequence`` from the digest; that two of its streams overlap is improbable.
    """
    return np.random.Generator(np.random.SFC64(np.random.SeedSequence(_key(*names))))


def _key(*names: object) -> int:
    digest = hashlib.sha256("\x1f".join(map(str, names)).encode()).digest()
    return int.from_bytes(digest[:16], "little")
