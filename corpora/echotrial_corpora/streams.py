"""Random numbers hashed from names: any tile of any quantity, without the ones before it.

numpy's Philox (Salmon, Moraes, Dror, Shaw, SC11) with a key that is a digest of names. A new
quantity, another chunking or another order changes no other number.
"""

import hashlib

import numpy as np


def stream(*names: object) -> np.random.Generator:
    """The generator of these names and nothing else."""
    digest = hashlib.sha256("\x1f".join(map(str, names)).encode()).digest()
    return np.random.Generator(np.random.Philox(key=int.from_bytes(digest[:16], "little")))
