"""On a Dask cluster readings are those made here, byte for byte, whoever dies on the way."""

import os
import shutil
import signal

import numpy as np
import pandas as pd
import pytest
from echotrial import host
from echotrial.corpus.build import build
from echotrial.corpus.manifest import Counts, Description, Sampling
from echotrial.corpus.store import Corpus, CorpusWriter
from echotrial.engine import Cluster, Limits, Reading, read_corpus
from echotrial.engine.source import Synthetic, distant_source_of
from echotrial.errors import NotToBeHad, WrongQuestion

from tests import fault_table
from tests.engine_stand_in import SETUP, faulty, stand_in

distributed = pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
slow = pytest.mark.slow


@pytest.mark.parametrize("address", ["local:0", "local:many", "nowhere", ""])
def test_an_address_of_another_form_is_refused(address):
    with pytest.raises(WrongQuestion, match="tcp://host:port"):
        Cluster(address)


@slow
def test_an_address_that_does_not_answer(monkeypatch):
    monkeypatch.setattr("echotrial.engine.cluster.ANSWER_S", 1)
    with pytest.raises(NotToBeHad, match="no scheduler answers within 1 s"):
        read_corpus(stand_in(5), faulty("honest"), cluster="tcp://127.0.0.1:9")


@pytest.fixture(scope="module")
def cluster():
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
        ) as processes,
        Cluster(processes.scheduler_address) as connected,
    ):
        yield connected


@slow
def test_the_cluster_reads_as_this_machine_does(cluster):
    corpus = stand_in(1300, poisoned=[5, 700])
    detectors = faulty("honest", "raises", "draws", "wrong-shape")
    here = read_corpus(corpus, detectors).readings
    there = read_corpus(corpus, detectors, cluster=cluster, chunk=256).readings
    pd.testing.assert_frame_equal(there, here)


@slow
def test_detectors_that_kill_their_process_lose_their_own_records(cluster):
    corpus = stand_in(600, poisoned=[17, 500])
    detectors = faulty("segfaults", "os-exits", "honest")
    here = read_corpus(corpus, detectors, workers=2).readings
    there = read_corpus(corpus, detectors, cluster=cluster, chunk=256).readings
    pd.testing.assert_frame_equal(there, here)
    assert (here["status"] == "crashed").sum() == 4


@slow
@pytest.mark.parametrize("fault", fault_table.FAULTS, ids=lambda f: f.detector)
def test_every_fault_costs_what_it_may_on_a_cluster(fault, all_faults):
    assert fault_table.complaint(fault, all_faults) == ""


@pytest.fixture(scope="module")
def all_faults(cluster):
    return fault_table.run(cluster=cluster)


@slow
def test_two_dask_workers_killed_on_the_way_lose_nothing(cluster):
    corpus = stand_in(256 * 40)
    detectors = faulty("slow", "honest")
    here = read_corpus(corpus, detectors).readings
    victims = list(cluster._client.run(os.getpid).values())
    frames = []
    run = Reading(corpus, detectors, cluster=cluster, chunk=256)
    for number, frame in enumerate(run):
        frames.append(frame)
        if number in (3, 12):
            os.kill(victims.pop(), signal.SIGKILL)
    assert not victims
    pd.testing.assert_frame_equal(pd.concat(frames, ignore_index=True), here)


@slow
def test_plugin_files_are_sent_with_their_siblings(cluster, tmp_path):
    (tmp_path / "sibling_of_doubles.py").write_text("FACTOR = 2e-3\n")
    plugin = tmp_path / "doubles.py"
    plugin.write_text(
        "import os\n"
        "from sibling_of_doubles import FACTOR\n"
        "HOME = os.path.dirname(__file__)\n"
        "def doubles(batch):\n"
        f"    assert HOME != {str(tmp_path)!r}, 'read from the client, not from what was sent'\n"
        "    return batch.samples[:, 1] * FACTOR\n"
    )
    detectors = host.load([plugin], use_entry_points=False).chosen()
    corpus = stand_in(20)
    readings = read_corpus(corpus, detectors, cluster=cluster).readings
    assert (readings["note"] == "").all()
    np.testing.assert_allclose(readings["thickness_mm"], corpus.samples[:, 1] * 2, rtol=1e-6)


@slow
def test_another_version_on_the_workers_is_refused(cluster, monkeypatch):
    from echotrial.engine import cluster as module

    monkeypatch.setattr(module, "surroundings", lambda: {"echotrial": "0.0.7"})
    with pytest.raises(NotToBeHad, match=r"has echotrial .*here it is 0.0.7"):
        read_corpus(stand_in(5), faulty("honest"), cluster=cluster)


def recorded(folder):
    samples = (stand_in(600).samples * 32767).astype(np.int16)
    truth = {"specimen": "x", "thickness_mm": np.ones(600), "thickness_u_mm": np.zeros(600)}
    about = Description(name="little", origin="recorded")
    sampling = Sampling(rate=100e6, samples=samples.shape[1])
    with CorpusWriter(folder, about, SETUP, sampling, Counts(prove=600)) as writer:
        writer.append(samples, pd.DataFrame({"start_us": np.zeros(600)}), pd.DataFrame(truth))
    return Corpus.open(folder)


@slow
def test_a_recorded_corpus_is_read_from_a_shared_folder_or_fetched(cluster, tmp_path):
    corpus = recorded(tmp_path / "little")
    here = read_corpus(corpus, faulty("honest")).readings
    shared = read_corpus(corpus, faulty("honest"), cluster=cluster).readings
    address = (tmp_path / "little").as_uri()
    fetched = read_corpus(corpus, faulty("honest"), cluster=cluster, address=address).readings
    pd.testing.assert_frame_equal(shared, here)
    pd.testing.assert_frame_equal(fetched, here)


def test_a_fetched_corpus_is_opened_and_verified_once(tmp_path, monkeypatch):
    corpus = recorded(tmp_path / "little")
    verified = []
    verify = Corpus.verify
    monkeypatch.setattr(Corpus, "verify", lambda self: verified.append(self) or verify(self))
    there = distant_source_of(corpus, (tmp_path / "little").as_uri())
    for start in range(0, 600, 100):
        np.testing.assert_array_equal(
            there.batch(start, start + 100).samples, corpus.batch(start, start + 100).samples
        )
    assert len(verified) == 1


@slow
def test_a_corpus_that_workers_cannot_see_is_refused(cluster, tmp_path):
    corpus = recorded(tmp_path / "little")
    with pytest.raises(NotToBeHad, match="cannot be fetched"):
        read_corpus(corpus, faulty("honest"), cluster=cluster, address=f"file://{tmp_path}/none")
    other = tmp_path / "other"
    shutil.copytree(tmp_path / "little", other)
    stored = np.load(other / "waveforms.npy", mmap_mode="r+")
    stored[3] = 0
    stored.flush()
    with pytest.raises(NotToBeHad, match="checksum"):
        read_corpus(corpus, faulty("honest"), cluster=cluster, address=other.as_uri())


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    loaded = host.load()
    spec = loaded.forward_model.read_spec(
        next(e.path for e in loaded.corpora.values() if e.default)
    )
    folder = tmp_path_factory.mktemp("made") / "corpus"
    return build(loaded, spec, size={"prove": 700, "tune": 600}, out=folder)


@pytest.mark.parametrize("rows", [(0, 1300), (256, 512), (512, 768), (600, 1100), (1299, 1300)])
def test_records_made_by_a_worker_are_those_of_the_folder(made, rows):
    source = distant_source_of(made)
    assert isinstance(source, Synthetic)
    mine, theirs = made.batch(*rows), source.batch(*rows)
    np.testing.assert_array_equal(theirs.samples, mine.samples)
    np.testing.assert_array_equal(theirs.start_s, mine.start_s)


@slow
def test_a_synthetic_corpus_is_made_on_the_workers(cluster, made):
    detectors = host.load().chosen(["threshold", "correlation", "envelope", "cepstral"])
    here = read_corpus(made, detectors, workers=2).readings
    there = read_corpus(made, detectors, cluster=cluster, limits=Limits()).readings
    pd.testing.assert_frame_equal(there, here)
