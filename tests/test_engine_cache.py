"""What is known is not computed again; what ended goes on; what is wrong with a folder is said."""

import os
import resource
import tempfile
import textwrap
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from echotrial import host
from echotrial.corpus.manifest import Counts, Description, Sampling
from echotrial.corpus.store import Corpus, CorpusWriter
from echotrial.engine import Reading, WorkFolder, read_corpus, source_digest
from echotrial.errors import NotToBeHad, Refused, WrongQuestion

from tests.engine_stand_in import SETUP, faulty, stand_in
from tests.kill_table import kill_and_resume, the_run


@pytest.fixture
def plugin(tmp_path):
    """A detector that writes down how many records it was asked for, and its sibling."""
    folder = tmp_path / "plugin"
    folder.mkdir()
    (folder / "sibling_of_counted.py").write_text("FACTOR = 1e-3\n")
    (folder / "counted.py").write_text(
        textwrap.dedent(
            """
            import sibling_of_counted as sibling

            def counted(batch, *, level: float = 1.0):
                with open(__file__ + ".log", "a") as log:
                    log.write(f"{len(batch)}\\n")
                return batch.samples[:, 1] * level * sibling.FACTOR
            """
        )
    )
    return folder / "counted.py"


def loaded(path):
    return host.load([path], use_entry_points=False).chosen()


def asked(path):
    """Records read since the last look, the warm-up's four apart."""
    log = path.with_name(path.name + ".log")
    lines = [int(line) for line in log.read_text().split()] if log.exists() else []
    log.unlink(missing_ok=True)
    return sum(n for n in lines if n != 4)


def test_what_is_known_is_not_read_again(tmp_path, plugin):
    corpus, work = stand_in(1000), tmp_path / "work"
    first = read_corpus(corpus, loaded(plugin), work=work, chunk=256)
    assert asked(plugin) == 1000
    again = read_corpus(corpus, loaded(plugin), work=work, chunk=256)
    assert asked(plugin) == 0
    pd.testing.assert_frame_equal(again.readings, first.readings)
    assert again.seconds_per_record == pytest.approx(first.seconds_per_record)
    part = read_corpus(corpus, loaded(plugin), work=work, rows=(0, 512), chunk=512).readings
    assert asked(plugin) == 0
    pd.testing.assert_frame_equal(part, first.readings.iloc[:512])


def test_the_key_sees_settings_record_bytes_setup_source_and_siblings(tmp_path, plugin):
    corpus, work = stand_in(300), tmp_path / "work"

    def read(c=corpus, **options):
        read_corpus(c, loaded(plugin), work=work, **options)
        return asked(plugin)

    assert (read(), read()) == (300, 0)
    assert read(settings={"counted": {"level": 2.0}}) == 300
    corpus.samples[7, 3] += 1e-3
    assert (read(), read()) == (300, 0)
    other = stand_in(300)
    other.samples, other.setup = corpus.samples, SETUP.model_copy(update={"velocity": 5741.0})
    assert read(other) == 300
    plugin.write_text(plugin.read_text() + "\n# changed\n")
    assert (read(), read()) == (300, 0)
    sibling = plugin.with_name("sibling_of_counted.py")
    sibling.write_text("FACTOR = 2e-3\n")
    assert (read(), read()) == (300, 0)
    (plugin.parent / "not_imported.py").write_text("pass\n")
    assert read() == 0


def test_another_detector_changes_nobody_elses_key(tmp_path, plugin):
    work = tmp_path / "work"
    read_corpus(stand_in(300), loaded(plugin), work=work)
    asked(plugin)
    read_corpus(stand_in(300), [*faulty("honest"), *loaded(plugin)], work=work)
    assert asked(plugin) == 0


def test_the_source_digest_follows_imports_of_installed_packages_and_of_the_host():
    from echotrial.engine.digest import sources
    from echotrial.engine.sealed import __file__ as sealed

    names = {path.name for path in sources(Path(sealed), "x")}
    assert {"sealed.py", "ascan.py", "setup.py", "quantities.py", "errors.py"} <= names
    assert "pool.py" not in names
    assert len(source_digest(faulty("honest")[0])) == 64


def test_a_detector_of_a_package_does_not_depend_on_its_neighbours():
    from echotrial.engine.digest import sources

    threshold = host.load().detectors["threshold"]
    found = sources(threshold.source, threshold.factory.__module__)
    names = {p.name for p in found}
    assert {"threshold.py", "noise.py", "setup.py"} <= names
    assert not names & {"cepstral.py", "correlation.py"}
    assert threshold.source.with_name("__init__.py") not in found


@pytest.mark.slow
def test_a_failure_that_may_pass_is_not_remembered(tmp_path):
    from echotrial.engine import Limits

    corpus, limits = stand_in(20, poisoned=[3]), Limits(chunk_s=1, record_s=1)
    work = tmp_path / "work"
    result = read_corpus(corpus, faulty("hangs", "honest"), workers=1, limits=limits, work=work)
    assert result.failures["records"].tolist() == [1]
    assert len(list(work.glob("*/*.arrow"))) == 1


def test_a_damaged_part_is_made_again(tmp_path):
    corpus, work = stand_in(600, poisoned=[9]), tmp_path / "work"
    first = read_corpus(corpus, faulty("raises"), work=work, chunk=256).readings
    for number, part in enumerate(sorted(work.glob("*/*.arrow"))):
        part.write_bytes(part.read_bytes()[: 100 * number])
    again = read_corpus(corpus, faulty("raises"), work=work, chunk=256).readings
    pd.testing.assert_frame_equal(again, first)


def test_two_runs_do_not_share_a_folder(tmp_path):
    run = iter(Reading(stand_in(600), faulty("honest"), work=tmp_path, chunk=256))
    next(run)
    with pytest.raises(WrongQuestion, match=rf"another run .*process {os.getpid()} "):
        read_corpus(stand_in(600), faulty("honest"), work=tmp_path)
    run.close()
    with WorkFolder(tmp_path) as work:
        for _ in range(2):
            read_corpus(stand_in(600), faulty("honest"), work=work)


def test_what_a_killed_run_left_half_written_is_swept(tmp_path):
    read_corpus(stand_in(10), faulty("honest"), work=tmp_path)
    (shelf,) = {part.parent for part in tmp_path.glob("*/*.arrow")}
    (shelf / ".256-512.arrow.0123abcd.part").write_bytes(b"half")
    read_corpus(stand_in(10), faulty("honest"), work=tmp_path)
    assert not list(tmp_path.rglob("*.part"))


def test_a_folder_that_cannot_be_written_to_is_refused(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(WrongQuestion, match="cannot be written to"):
        read_corpus(stand_in(10), faulty("honest"), work=tmp_path / "file" / "work")


def test_a_read_only_folder_is_refused(tmp_path):
    """In a process of another user where we are root, who may write everywhere."""
    place = Path(tempfile.mkdtemp())  # pytest keeps its folders from other users
    place.chmod(0o555)
    try:
        answer = _as_nobody(str(place / "work"))
    finally:
        place.rmdir()
    assert "WrongQuestion" in answer
    assert "cannot be written to (Permission denied); choose another folder" in answer


def _as_nobody(work):
    """What entering a work folder raises in a forked process without root's rights."""
    there, here = os.pipe()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # newer Pythons warn of forking beside threads
        child = os.fork()
    if child == 0:
        try:
            if os.geteuid() == 0:
                os.setgid(65534)
                os.setuid(65534)
            with WorkFolder(work):
                os.write(here, b"nothing")
        except BaseException as error:
            os.write(here, f"{type(error).__name__}: {error}".encode())
        finally:
            os._exit(0)
    os.close(here)
    with os.fdopen(there) as pipe:
        answer = pipe.read()
    os.waitpid(child, 0)
    return answer


def test_a_full_disk_is_said_and_the_run_goes_on_later(tmp_path):
    """A limit on file size stands in for a full disk: writing fails in the same place."""
    import signal

    corpus, work = stand_in(2000), tmp_path / "work"
    read_corpus(corpus, faulty("honest"), work=work, chunk=256, rows=(0, 512))
    before, limits = signal.signal(signal.SIGXFSZ, signal.SIG_IGN), resource.RLIMIT_FSIZE
    soft, hard = resource.getrlimit(limits)
    resource.setrlimit(limits, (10_000, hard))
    try:
        with pytest.raises(NotToBeHad, match="make room"):
            read_corpus(corpus, faulty("honest"), work=work, chunk=256)
    finally:
        resource.setrlimit(limits, (soft, hard))
        signal.signal(signal.SIGXFSZ, before)
    assert len(list(work.glob("*/*.arrow"))) == 2
    assert not list(work.rglob("*.part"))
    whole = read_corpus(corpus, faulty("honest"), work=work, chunk=256).readings
    pd.testing.assert_frame_equal(whole, read_corpus(corpus, faulty("honest")).readings)


@pytest.fixture
def folder(tmp_path):
    """A little corpus on disk; its samples are invented."""
    samples = (stand_in(1000).samples * 32767).astype(np.int16)
    known = pd.DataFrame({"start_us": np.zeros(1000)})
    truth = pd.DataFrame(
        {"specimen": "x", "thickness_mm": np.ones(1000), "thickness_u_mm": np.zeros(1000)}
    )
    about = Description(name="little", origin="recorded")
    sampling = Sampling(rate=100e6, samples=samples.shape[1])
    counts = Counts(prove=600, tune=400)
    with CorpusWriter(tmp_path / "little", about, SETUP, sampling, counts) as writer:
        writer.append(samples, known, truth)
    return tmp_path / "little"


@pytest.mark.parametrize("workers", [0, 2])
def test_a_corpus_folder_reads_as_its_samples_do(folder, workers):
    corpus = Corpus.open(folder)
    frame = read_corpus(corpus, faulty("honest"), workers=workers).readings
    expected = corpus.batch(0, 1000).samples[:, 1].astype(float) * 1e-3 * 1e3
    np.testing.assert_array_equal(frame["thickness_mm"], expected)
    assert frame["split"].value_counts().to_dict() == {"prove": 600, "tune": 400}
    assert (frame["corpus"] == "little").all()


def test_a_corpus_that_changes_during_the_run_is_refused(folder, tmp_path):
    corpus = Corpus.open(folder)
    run = iter(Reading(corpus, faulty("honest"), work=tmp_path / "work", chunk=256))
    next(run)
    stored = np.load(folder / "waveforms.npy", mmap_mode="r+")
    stored[900, 1] += 1
    stored.flush()
    with pytest.raises(Refused, match="changed during the run"):
        list(run)
    assert len(list((tmp_path / "work").glob("*/*.arrow"))) == 1


def test_a_corpus_that_is_only_touched_is_read_on(folder):
    run = iter(Reading(Corpus.open(folder), faulty("honest"), chunk=256))
    next(run)
    os.utime(folder / "waveforms.npy")
    assert sum(len(frame) for frame in run) == 1000 - 256


@pytest.mark.slow
def test_a_run_killed_at_random_moments_goes_on_to_the_same_readings(tmp_path):
    records = 256 * 60
    resumed = kill_and_resume(tmp_path, 3, records)
    pd.testing.assert_frame_equal(resumed, the_run(records))
    assert not list(tmp_path.rglob("*.part"))
