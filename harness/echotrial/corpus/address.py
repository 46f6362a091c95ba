"""Corpus folders that lie elsewhere: fetched once by each process that reads them."""

import atexit
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from shutil import rmtree
from tempfile import mkdtemp

from echotrial.corpus import home
from echotrial.corpus.store import Corpus
from echotrial.errors import NotToBeHad
from echotrial.hooks import Material

_FILES = (home.MANIFEST, "waveforms.npy", "known.parquet", "truth.parquet")


def is_address(text: str) -> bool:
    """Whether this is an address (``s3://bucket/corpus``, ``file:///...``) and no path."""
    return "://" in text


def fetched(address: str, materials: Mapping[str, Material] | None = None) -> Corpus:
    """Fetch and open the corpus folder at an address that fsspec reads, and check its sums.

    The copy goes when this process ends.

    Raises
    ------
    NotToBeHad
        It cannot be fetched.
    Refused
        What came is damaged.
    """
    corpus = Corpus.open(_copy_of(address), materials=materials)
    corpus.address = address
    corpus.verify()
    return corpus


def opened(where: str) -> Corpus:
    """Open the corpus at an address or in a folder."""
    return fetched(where) if is_address(where) else Corpus.open(where)


@lru_cache(maxsize=4)
def _copy_of(address: str) -> Path:
    folder = Path(mkdtemp(prefix="echotrial-"))
    atexit.register(rmtree, folder, ignore_errors=True)
    try:
        import fsspec
    except ImportError:
        raise NotToBeHad(
            f"{address}: reading from an address takes fsspec: pip install 'echotrial[cluster]'"
        ) from None
    try:
        files, root = fsspec.url_to_fs(address)
        for name in _FILES:
            files.get_file(f"{root}/{name}", str(folder / name))
        if files.exists(f"{root}/reference.npy"):
            files.get_file(f"{root}/reference.npy", str(folder / "reference.npy"))
    except (OSError, ValueError, ImportError) as error:
        raise NotToBeHad(f"{address}: cannot be fetched ({error})") from None
    return folder
