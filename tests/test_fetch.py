"""Fetching recorded sets: from a server on this machine, and what is said when there is none.

The files have the structure of the public ones (a struct of ``time_data``, ``tx``, ``rx`` and
``time``) and invented content.
"""

import hashlib
import threading
from collections.abc import Iterator
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
import scipy.io
from echotrial import host as hosts
from echotrial.corpus import catalogue, home
from echotrial.corpus.catalogue import Entry, entry_named, fetch, read_entry
from echotrial.errors import NotToBeHad, Refused, WrongQuestion

ELEMENTS, SAMPLES = 5, 40
TRACES = np.random.default_rng(2).integers(-128, 128, (ELEMENTS**2, SAMPLES)) / 128
TX, RX = (a.ravel() + 1.0 for a in np.divmod(np.arange(ELEMENTS**2), ELEMENTS))
TIME = 5e-6 + np.arange(SAMPLES) / 25e6
COMMIT = "0123456789abcdef0123456789abcdef01234567"


def _version_5(path: Path) -> None:
    content = {"time_data": TRACES.T, "tx": TX, "rx": RX, "time": TIME[:, None], "more": "words"}
    scipy.io.savemat(path, {"exp_data": content})


def _version_73(path: Path) -> None:
    with h5py.File(path, "w", userblock_size=512) as file:
        group = file.create_group("exp_data")
        group["time_data"], group["time"] = TRACES, TIME[None, :]  # MATLAB writes columns first
        group["tx"], group["rx"] = TX[:, None], RX[:, None]
        group.create_group("array")["el_xc"] = np.arange(5.0)


class _Quiet(SimpleHTTPRequestHandler):
    asked: list[str]

    def log_message(self, format: str, *args: Any) -> None:
        pass

    def do_GET(self) -> None:
        type(self).asked.append(self.path)
        super().do_GET()


@pytest.fixture
def server(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """A public home on this machine; files under `tmp_path`/public."""
    monkeypatch.setenv("ECHOTRIAL_HOME", str(tmp_path / "home"))
    monkeypatch.setenv("NO_PROXY", "127.0.0.1")
    (tmp_path / "public").mkdir()
    _Quiet.asked = []
    handler = partial(_Quiet, directory=str(tmp_path / "public"))
    with ThreadingHTTPServer(("127.0.0.1", 0), handler) as found:
        thread = threading.Thread(target=found.serve_forever, daemon=True)
        thread.start()
        yield f"http://127.0.0.1:{found.server_port}"
        found.shutdown()
        thread.join()


def _entry(tmp_path: Path, write: Any = _version_5, **changes: Any) -> Entry:
    """A catalogue entry whose file is on the server."""
    path = tmp_path / "public" / "group" / "project" / COMMIT / "data" / "block.mat"
    path.parent.mkdir(parents=True)
    write(path)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    sheet = tmp_path / "block.toml"
    sheet.write_text(ENTRY.format(commit=COMMIT, sha256=digest), encoding="utf-8")
    return read_entry(sheet).model_copy(update=changes)


ENTRY = """\
name = "block"
about = "Invented."
licence = "MIT"
citation = "somebody"
suspect = "everything"
repository = "group/project"
commit = "{commit}"
path = "data/block.mat"
sha256 = "{sha256}"
struct = "exp_data"
[truth]
thickness = "40 mm"
uncertainty = "0.2 mm"
specimen = "block"
[setup]
centre_frequency = "5 MHz"
velocity = "6320 m/s"
mode = 1
wall_range = ["20 mm", "60 mm"]
"""


@pytest.mark.parametrize("write", [_version_5, _version_73])
def test_a_recording_is_fetched_and_becomes_a_corpus(
    tmp_path: Path, server: str, write: Any
) -> None:
    made = fetch(_entry(tmp_path, write), base=server)
    own = TX == RX
    assert np.allclose(made.batch().samples, TRACES[own], atol=1e-7)
    assert (made.rate_hz, made.origin, len(made)) == (25e6, "recorded", ELEMENTS)
    assert made.batch().start_s == pytest.approx([5e-6] * ELEMENTS)
    assert made.truth["thickness_mm"].to_list() == pytest.approx([40.0] * ELEMENTS)
    assert made.truth["thickness_u_mm"].to_list() == pytest.approx([0.2] * ELEMENTS)
    assert made.truth["element"].to_list() == [1, 2, 3, 4, 5]
    assert set(made.truth["specimen"]) == {"block"}
    assert (made.manifest.licence, made.manifest.suspect) == ("MIT", "everything")
    assert made.folder == tmp_path / "home" / "recorded" / "block"
    assert home.corpora("recorded") == [made.folder]


def test_it_is_fetched_once(tmp_path: Path, server: str) -> None:
    entry = _entry(tmp_path)
    first = fetch(entry, base=server)
    again = fetch(entry, base="http://127.0.0.1:9")  # nobody is asked
    anew = fetch(entry, base="http://127.0.0.1:9", replace=True)  # made of the file kept
    assert first.identity == again.identity == anew.identity
    assert _Quiet.asked == [f"/group/project/{COMMIT}/data/block.mat"]


def test_a_mirror_can_be_named_in_the_environment(
    tmp_path: Path, server: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("ECHOTRIAL_MIRROR", server + "/")
    assert len(fetch(_entry(tmp_path))) == ELEMENTS


def test_without_a_network_it_says_what_was_tried_and_what_to_do(
    tmp_path: Path, server: str
) -> None:
    entry = _entry(tmp_path)
    with pytest.raises(NotToBeHad) as caught:
        fetch(entry, base="http://127.0.0.1:9")
    said = str(caught.value)
    assert f"Tried: http://127.0.0.1:9/group/project/{COMMIT}/data/block.mat" in said
    assert str(entry.kept) in said
    assert entry.sha256 in said
    assert caught.value.exit_code == 3
    assert not (tmp_path / "home" / "recorded").exists()


def test_a_file_brought_by_hand_serves(tmp_path: Path, server: str) -> None:
    entry = _entry(tmp_path)
    entry.kept.parent.mkdir(parents=True)
    entry.kept.write_bytes(
        (tmp_path / "public/group/project" / COMMIT / "data/block.mat").read_bytes()
    )
    assert len(fetch(entry, base="http://127.0.0.1:9")) == ELEMENTS


def test_a_missing_file_is_not_to_be_had(tmp_path: Path, server: str) -> None:
    with pytest.raises(NotToBeHad, match="404"):
        fetch(_entry(tmp_path, path="data/other.mat"), base=server)


def test_another_file_than_the_known_one_is_refused(tmp_path: Path, server: str) -> None:
    entry = _entry(tmp_path, sha256="0" * 64)
    with pytest.raises(Refused, match="gave another file"):
        fetch(entry, base=server)
    assert not entry.kept.exists()
    assert not (tmp_path / "home" / "recorded").exists()


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ({"exp_data": {"time_data": TRACES.T, "tx": TX, "rx": RX}}, "no struct 'exp_data' with"),
        ({"other": TRACES}, "no struct 'exp_data'"),
        (
            {"exp_data": {"time_data": TRACES, "tx": TX, "rx": RX, "time": TIME}},
            "not the file that this catalogue knows",
        ),
        (
            {"exp_data": {"time_data": TRACES.T, "tx": TX, "rx": RX, "time": TIME**2}},
            "not even",
        ),
    ],
)
def test_a_file_of_another_structure_is_refused(
    tmp_path: Path, server: str, content: Any, says: str
) -> None:
    entry = _entry(tmp_path, lambda path: scipy.io.savemat(path, content))
    with pytest.raises(Refused, match=says):
        fetch(entry, base=server)


# -- the catalogue --------------------------------------------------------------------------------


def test_the_shipped_entries_are_whole() -> None:
    """Commit and checksums as the public repository has them, noted when it was looked at."""
    offered = hosts.load()
    contact = entry_named(offered, "aluminium-block-contact")
    late = entry_named(offered, "aluminium-block-contact-late")
    assert contact.address(catalogue.PUBLIC_HOME) == (
        "https://raw.githubusercontent.com/ndtatbristol/arim/"
        "0cee9de26ae995ca80e00bc67801ffb3b1188e44/"
        "examples/example-datasets/contact_notch_aluminium.mat"
    )
    assert contact.sha256 == "c58d25ccaf3081348c392d98a45a5e28809c80c900782a9b60f62d1a7ef2c76f"
    assert late.sha256 == "507586bfa359a2d7fdebf58d9632df88d2c6e98d4018402a329a67e55ecb8cd0"
    for entry in (contact, late):
        assert "MIT" in entry.licence
        assert entry.truth.thickness == 0.04
        assert entry.setup["tolerance"]["relative"] == "3 %"


def test_an_unknown_set_gets_the_nearest_name() -> None:
    with pytest.raises(WrongQuestion, match="did you mean 'aluminium-block-contact'"):
        entry_named(hosts.load(), "aluminium-block-contct")
