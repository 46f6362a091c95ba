"""The half-real corpus: its recording is not here, comes by import, or comes by the net.

What is fetched from the server on this machine has the structure of the public file and invented
content, and says so in its name.
"""

import hashlib
import warnings

import numpy as np
import pytest
import scipy.io
import scipy.signal
from echotrial import host as hosts
from echotrial.cli import main
from echotrial.corpus.catalogue import entry_named, fetch
from echotrial.corpus.find import obtain
from echotrial.corpus.sheet import import_sheet
from echotrial.errors import NotToBeHad, WrongQuestion
from echotrial_corpora.recorded import Cut, RecordedEcho, tapered
from echotrial_corpora.records import records
from echotrial_corpora.spec import from_canonical, read_spec
from scipy.signal import resample

from tests.test_fetch import server  # noqa: F401
from tests.test_import import RECORDED

NAME, RECORDING = "aluminium-sheet-recorded-pulse", "aluminium-block-contact"
HOST = hosts.load(allow=["corpora"])
SPEC = HOST.corpora[NAME].path


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("ECHOTRIAL_HOME", str(tmp_path / "home"))


def run(capsys, *words):
    """Exit code and standard output of the command line."""
    with pytest.raises(SystemExit) as left:
        main(list(words))
    return left.value.code, capsys.readouterr().out


def test_without_the_recording_it_says_what_brings_it(tmp_path, capsys):
    with pytest.raises(NotToBeHad, match=f"echotrial corpus fetch {RECORDING}"):
        read_spec(SPEC)
    words = ["corpus", "build", NAME, "--size", "smoke", "--out", str(tmp_path / "made")]
    assert run(capsys, *words) == (3, "")
    assert not (tmp_path / "made").exists()
    code, listed = run(capsys, "corpus", "list")
    assert code == 0
    said = " ".join(listed.split())
    assert f"{NAME} cannot be read: the recording '{RECORDING}' is not on this machine" in said


def _stand_in(path):
    """Invented: 40 pulse-echo traces of a 5 MHz pulse at 12.96 us in noise."""
    time = np.arange(750) / 25e6
    rng = np.random.default_rng(5)
    wave = np.exp(-(((time - 12.96e-6) / 0.12e-6) ** 2) / 2) * np.cos(2 * np.pi * 5e6 * time)
    traces = 0.8 * wave + 0.005 * rng.standard_normal((40, 750))
    traces[:, 0] = 1.0
    own = np.arange(40) + 1.0
    content = {"time_data": traces.T, "tx": own, "rx": own, "time": time[:, None]}
    scipy.io.savemat(path, {"exp_data": content})


def test_it_is_built_of_what_a_fetch_brings(tmp_path, server):  # noqa: F811
    entry = entry_named(HOST, RECORDING)
    path = tmp_path / "public" / entry.repository / entry.commit / entry.path
    path.parent.mkdir(parents=True)
    _stand_in(path)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    fetch(entry.model_copy(update={"sha256": digest}), base=server)
    made = obtain(HOST, NAME, size={"prove": 40, "tune": 20})
    assert (made.origin, len(made)) == ("semi-synthetic", 60)
    assert made.manifest.licence == entry.licence
    assert entry.citation in made.manifest.source
    again = from_canonical(read_spec(SPEC).canonical())
    assert again.origin == "semi-synthetic"
    assert np.array_equal(
        records(again, "prove", 0, 0, 4).samples, records(read_spec(SPEC), "prove", 0, 0, 4).samples
    )


@pytest.mark.skipif(not RECORDED.is_dir(), reason="no ../shared/recorded beside the project")
def test_with_the_recording_its_pulse_and_noise_are_in_the_records(tmp_path):
    imported = import_sheet(RECORDED / RECORDING / "sheet.toml")
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        made = obtain(HOST, NAME, size="smoke")
        spec = read_spec(SPEC)
    assert (made.origin, made.manifest.records.total) == ("semi-synthetic", 300)
    trace = imported.batch().samples[38, 310:355].astype(float)
    twice = resample(np.pad(trace, 40), 2 * (trace.size + 80))  # 25 to 50 MS/s
    reference = spec.setup.reference_echo.samples.astype(float)
    alike = np.correlate(reference, twice, "full").max()
    # but for the delay line's loss and the receiver's band, and for 4 samples' taper at the ends
    assert alike > 0.93 * np.linalg.norm(reference) * np.linalg.norm(twice)
    noise = imported.batch().samples[:, 235:290].astype(float)
    noise -= noise.mean(axis=1, keepdims=True)
    assert np.corrcoef(spec.receiver.noise.array, noise.ravel())[0, 1] > 0.9999


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"record": 99}, "has 64 records"),
        ({"from": "29 us", "to": "31 us"}, "goes from 0 us over 30 us"),
        ({"from": "15 us", "to": "12 us"}, "goes from 0 us over 30 us"),
    ],
)
@pytest.mark.skipif(not RECORDED.is_dir(), reason="no ../shared/recorded beside the project")
def test_a_cut_that_is_not_in_the_recording(change, says):
    import_sheet(RECORDED / RECORDING / "sheet.toml")
    cut = {"corpus": RECORDING, "record": 3, "from": "12 us", "to": "14 us"} | change
    with pytest.raises(WrongQuestion, match=says):
        RecordedEcho.read(cut, "spec.toml")


def test_a_cut_has_a_unit_and_no_other_keys():
    with pytest.raises(WrongQuestion, match="unknown key 'until'"):
        Cut.read({"corpus": "x", "from": "1 us", "to": "2 us", "until": 3}, "spec.toml")
    with pytest.raises(WrongQuestion, match="unit"):
        Cut.read({"corpus": "x", "from": 1, "to": "2 us"}, "spec.toml")


@pytest.mark.parametrize("n", [1, 2, 8, 37, 300, 1001])
def test_ends_are_shaped_by_the_tapered_cosine_of_scipy(n: int) -> None:
    """F. Harris, Proc. IEEE 66 (1978) 51-83, as scipy has it."""
    assert (tapered(n, 0.2) == scipy.signal.windows.tukey(n, 0.2)).all()
