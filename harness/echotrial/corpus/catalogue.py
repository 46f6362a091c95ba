"""Recordings with a public home: fetched, checked, given our truth sheet, made into a corpus."""

import logging
import os
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pydantic import Field

from echotrial.corpus import formats, home
from echotrial.corpus.manifest import Description, Origin
from echotrial.corpus.sheet import Recording, own_full_scale, with_interface_echo, write
from echotrial.corpus.store import Corpus
from echotrial.errors import NotToBeHad, Refused, WrongQuestion, nearest
from echotrial.host import Host
from echotrial.quantities import Length
from echotrial.setup import NotNegative, Positive, read_setup
from echotrial.strict import Strict, read_toml

PUBLIC_HOME = "https://raw.githubusercontent.com"
MIRROR = "ECHOTRIAL_MIRROR"
_TIMEOUT_S = 30


class BlockTruth(Strict):
    """The truth of a recording whose traces are all of one piece."""

    thickness: Annotated[Length, Positive]
    uncertainty: Annotated[Length, NotNegative]
    specimen: str


class Entry(Description):
    """A recording in the catalogue: where its file is, what it holds, and our truth of it.

    The file is a .mat with a struct of ``time_data`` (samples x traces), ``tx``, ``rx`` and
    ``time``; the traces whose transmitter is their receiver are taken.
    """

    origin: Origin = "recorded"
    repository: str
    commit: Annotated[str, Field(pattern="^[0-9a-f]{40}$")]
    path: str
    sha256: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    struct: str
    full_scale: Annotated[float, Field(gt=0)] | None = None
    truth: BlockTruth
    setup: dict[str, Any]

    def address(self, base: str) -> str:
        """Address of the raw file under `base`."""
        return f"{base.rstrip('/')}/{self.repository}/{self.commit}/{self.path}"

    @property
    def kept(self) -> Path:
        """Where the file is kept once it is here."""
        return home.downloads() / f"{self.sha256[:10]}-{Path(self.path).name}"


def entry_named(host: Host, name: str) -> Entry:
    """Read a catalogue entry that a plugin offers.

    Raises
    ------
    WrongQuestion
        No such name; the nearest one is named.
    """
    offered = {n: e.path for n, e in host.corpora.items() if e.kind == "recorded"}
    if name not in offered:
        hint = nearest(name, offered) if offered else "no plugin offers any"
        raise WrongQuestion(f"no recorded set '{name}' to fetch: {hint}")
    return read_entry(offered[name])


def read_entry(path: Path) -> Entry:
    """Read a catalogue entry's TOML file."""
    return Entry.read(read_toml(path), str(path))


def fetch(
    entry: Entry, *, base: str | None = None, out: Path | None = None, replace: bool = False
) -> Corpus:
    """Bring a recording from its public home and make a corpus of it.

    Parameters
    ----------
    entry
        What to bring.
    base
        Address under which to look instead of the public home; None: ``ECHOTRIAL_MIRROR``, else
        the public home.
    out
        Folder to make; None: among the user's recorded corpora.

    Raises
    ------
    NotToBeHad
        No network, or the address has no such file: what was tried and what to do.
    Refused
        The address gave another file than the one known.
    """
    folder = out or home.imported_folder(entry.name, entry.origin)
    if folder.exists() and not replace:
        corpus = Corpus.open(folder)
        corpus.verify()
        return corpus
    return write(recording(entry, download(entry, base)), folder, replace=replace)


def download(entry: Entry, base: str | None = None) -> Path:
    """The entry's file, from the cache or from its home, its checksum compared."""
    try:
        import pooch
    except ImportError:
        raise NotToBeHad("fetching needs the package pooch: pip install pooch") from None
    address = entry.address(base or os.environ.get(MIRROR) or PUBLIC_HOME)
    pooch.get_logger().setLevel(logging.WARNING)
    try:
        pooch.retrieve(
            address,
            known_hash=f"sha256:{entry.sha256}",
            path=entry.kept.parent,
            fname=entry.kept.name,
            downloader=pooch.HTTPDownloader(timeout=_TIMEOUT_S),
        )
    except ValueError as error:
        if "hash" not in str(error):
            raise _not_to_be_had(entry, address, error) from None
        raise Refused(
            f"{address} gave another file: its sha256 is not {entry.sha256}; nothing was kept"
        ) from None
    except OSError as error:  # requests' errors are OSErrors
        raise _not_to_be_had(entry, address, error) from None
    return entry.kept


def _not_to_be_had(entry: Entry, address: str, error: Exception) -> NotToBeHad:
    cause = getattr(error.args[0] if error.args else None, "reason", error)
    return NotToBeHad(
        f"'{entry.name}' could not be fetched.\n"
        f"Tried: {address}\n"
        f"Got: {type(error).__name__}: {cause}\n"
        "What to do: try again with a network; or name a mirror with --from URL or in "
        f"{MIRROR};\nor bring the file by other means to {entry.kept}\n"
        f"(its sha256 has to be {entry.sha256}) and try again."
    )


def recording(entry: Entry, path: Path) -> Recording:
    """Take the pulse-echo traces out of a fetched file and put our truth beside them."""
    content = _struct(path, entry.struct)
    traces = np.asarray(content["time_data"]).T
    time = np.ravel(content["time"]).astype(np.float64)
    own = np.ravel(content["tx"]) == np.ravel(content["rx"])
    if traces.shape != (own.size, time.size) or not own.any():
        raise Refused(
            f"{path}: {traces.shape} traces and samples, {own.size} transmitters and {time.size} "
            "times: not the file that this catalogue knows"
        )
    truth = _truth(entry.truth, np.ravel(content["tx"])[own])
    return Recording(
        Description(
            **{
                **{k: getattr(entry, k) for k in Description.model_fields},
                "source": f"{entry.address('github')}, traces whose transmitter is the receiver",
            }
        ),
        with_interface_echo(read_setup(entry.setup, f"{entry.name}: setup")),
        _rate_hz(time, path),
        traces[own],
        entry.full_scale or own_full_scale(traces, path),
        np.full(int(own.sum()), time[0] * 1e6),
        truth,
    )


def _struct(path: Path, name: str) -> dict[str, Any]:
    content = formats.read_mat(path)
    found = content.get(name)
    wanted = {"time_data", "tx", "rx", "time"}
    if not isinstance(found, dict) or not wanted <= set(found):
        raise Refused(f"{path}: no struct '{name}' with {', '.join(sorted(wanted))}")
    return found


def _rate_hz(time: NDArray[np.float64], path: Path) -> float:
    """Sampling rate to 9 digits of an evenly sampled time axis in seconds."""
    step = (time[-1] - time[0]) / (time.size - 1)
    if not np.allclose(np.diff(time), step, rtol=1e-3, atol=0):
        raise Refused(f"{path}: the time axis is not even")
    return float(f"{1 / step:.9g}")


def _truth(truth: BlockTruth, element: NDArray[Any]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "split": "prove",
            "specimen": truth.specimen,
            "thickness_mm": truth.thickness * 1e3,
            "thickness_u_mm": truth.uncertainty * 1e3,
            "kind": "wall",
            "element": element.astype(np.int64),
        },
        index=range(element.size),
    )
