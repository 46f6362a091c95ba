"""Detectors in worker processes: whatever one does, it loses its own records and no others."""

import contextlib
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import psutil
import pytest
from echotrial.ascan import Batch
from echotrial.engine import Limits, Reading, read_corpus, worker
from echotrial.engine.deposit import deposited, withdrawn
from echotrial.engine.job import Job
from echotrial.engine.plan import Span
from echotrial.engine.pool import Pool
from echotrial.engine.slices import Slice
from pandas.testing import assert_frame_equal

from tests import fault_table
from tests.engine_stand_in import expected_mm, faulty, stand_in


def workers_of(process):
    """The template processes and their children, by command line."""
    found = []
    for child in process.children(recursive=True):
        try:
            if any("echotrial.engine.worker" in word for word in child.cmdline()):
                found.append(child)
        except (psutil.NoSuchProcess, psutil.ZombieProcess):
            continue
    return found


def gone(processes, seconds=20.0):
    _, alive = psutil.wait_procs(processes, timeout=seconds)
    return [p for p in alive if p.status() != psutil.STATUS_ZOMBIE] == []


@pytest.fixture(scope="module")
def few():
    """The faults that no exception handler can catch, side by side."""
    names = ["os-exits", "hangs", "segfaults", "prepare-exits", "floods", "honest"]
    corpus = stand_in(40, poisoned=[17])
    limits = Limits(chunk_s=2, record_s=1)
    return corpus, read_corpus(corpus, faulty(*names), workers=2, limits=limits).readings


@pytest.mark.parametrize(
    ("name", "status", "note"),
    [
        ("os-exits", "crashed", "its process ended with exit code 0"),
        ("hangs", "timed out", "no answer within 1 s"),
        ("segfaults", "crashed", "its process was killed by SIGSEGV"),
    ],
)
def test_only_the_poisoned_record_is_lost(few, name, status, note):
    corpus, readings = few
    frame = readings[readings["detector"] == name].set_index("record")
    assert frame.index[frame["status"] != "ok"].tolist() == [17]
    assert (frame.loc[17, "status"], frame.loc[17, "note"]) == (status, note)
    good = np.delete(np.arange(40), 17)
    np.testing.assert_array_equal(frame.loc[good, "thickness_mm"], expected_mm(corpus)[good])


def test_detectors_beside_them_lose_nothing(few):
    corpus, readings = few
    for name in ("honest", "floods"):
        frame = readings[readings["detector"] == name]
        assert (frame["status"] == "ok").all()
        np.testing.assert_array_equal(frame["thickness_mm"], expected_mm(corpus))


def test_one_that_dies_in_prepare_loses_all_its_records(few):
    _, readings = few
    frame = readings[readings["detector"] == "prepare-exits"]
    assert len(frame) == 40
    assert (frame["note"] == "prepare: its process ended with exit code 7").all()


@pytest.mark.slow
@pytest.mark.parametrize("fault", fault_table.FAULTS, ids=lambda f: f.detector)
def test_every_fault_costs_what_it_may(fault, all_faults):
    assert fault_table.complaint(fault, all_faults) == ""


@pytest.fixture(scope="module")
def all_faults():
    return fault_table.run(workers=2)


def test_workers_and_chunks_change_no_byte():
    corpus = stand_in(1300, poisoned=[5, 700])
    detectors = faulty("honest", "raises", "draws")
    here = read_corpus(corpus, detectors).readings
    for workers, chunk in ((1, 256), (2, 512), (2, None)):
        there = read_corpus(corpus, detectors, workers=workers, chunk=chunk).readings
        pd.testing.assert_frame_equal(there, here)


def test_more_workers_than_records():
    corpus = stand_in(2)
    assert len(read_corpus(corpus, faulty("honest"), workers=2).readings) == 2


def test_a_worker_killed_from_outside_loses_nothing():
    corpus = stand_in(4000)

    def kill_one(_):
        children = [p for w in workers_of(psutil.Process()) for p in w.children()]
        with contextlib.suppress(ProcessLookupError):
            if children:
                os.kill(children[0].pid, signal.SIGKILL)

    readings = read_corpus(
        corpus, faulty("honest"), workers=2, chunk=256, progress=kill_one
    ).readings
    assert (readings["status"] == "ok").all()
    np.testing.assert_array_equal(readings["thickness_mm"], expected_mm(corpus))


def test_workers_are_at_work_before_the_first_chunk_is_asked_for():
    with Pool(Reading(stand_in(600), faulty("honest"), workers=1).job, 1) as pool:
        chunks = pool.read([(Span(0, 512), (0,)), (Span(512, 600), (0,))])
        assert [slot.task.span for slot in pool._slots] == [Span(0, 512)]
        assert [len(part.span) for (part,) in chunks] == [512, 88]


def test_children_end_with_the_run_even_when_it_is_left_early():
    run = iter(Reading(stand_in(4000), faulty("honest"), workers=2, chunk=256))
    next(run)
    children = [p for w in workers_of(psutil.Process()) for p in w.children()]
    assert len(children) >= 2
    run.close()
    assert gone(children)


@pytest.mark.slow
def test_workers_end_with_a_starter_that_is_killed(tmp_path):
    script = tmp_path / "starter.py"
    script.write_text(
        "from tests.engine_stand_in import faulty, stand_in\n"
        "from echotrial.engine import read_corpus\n"
        "read_corpus(stand_in(600, poisoned=[3]), faulty('hangs'), workers=2, chunk=256)\n"
    )
    starter = subprocess.Popen([sys.executable, script], env={**os.environ, "PYTHONPATH": "."})
    try:
        deadline = time.monotonic() + 60
        started = []
        while len(started) < 3 and time.monotonic() < deadline:
            started = workers_of(psutil.Process(starter.pid))
            time.sleep(0.1)
        time.sleep(2)  # one of them hangs in a detector by now
    finally:
        starter.kill()
        starter.wait()
    assert len(started) >= 2
    assert gone(started)


@pytest.mark.slow
def test_memory_that_a_detector_keeps_does_not_reach_the_others():
    corpus = stand_in(256 * 16)
    limits = Limits(memory_bytes=500 << 20)  # all of its calls together would take 1 GiB
    result = read_corpus(
        corpus, faulty("leaks-memory", "honest"), workers=1, chunk=256, limits=limits
    )
    assert (result.readings["status"] == "ok").all()


@pytest.mark.slow
def test_a_detector_that_always_hangs_is_given_up():
    corpus = stand_in(600, poisoned=range(600))
    limits = Limits(chunk_s=1, record_s=1, patience_s=3)
    began = time.monotonic()
    result = read_corpus(corpus, faulty("hangs", "honest"), workers=2, chunk=256, limits=limits)
    assert time.monotonic() - began < 60
    frame = result.readings[result.readings["detector"] == "hangs"]
    assert len(frame) == 600
    assert (frame["status"] == "timed out").all()
    assert frame["note"].str.contains("given up after").any()
    assert (result.readings["status"] == "ok").sum() == 600


class Ballast:
    """A source that needs memory to open; invented, it gives silence."""

    def __init__(self, size_bytes):
        self.setup, self.size_bytes, self.held = stand_in(1).setup, size_bytes, None

    def batch(self, start, stop):
        if self.held is None:
            self.held = np.zeros(self.size_bytes, dtype=np.int8)
        silence = np.zeros((stop - start, 64), dtype=np.float32)
        return Batch.of(silence, 100e6, np.zeros(stop - start), self.setup)


@contextlib.contextmanager
def serving(place):
    """The near end of the link to a child that serves, and leaves files beginning as `place`."""
    spawn = multiprocessing.get_context("spawn")
    link, far = spawn.Pipe()
    child = spawn.Process(target=worker._serve, args=(far, place), daemon=True)
    child.start()
    try:
        yield link
    finally:
        child.kill()
        child.join()


def test_a_kept_child_opens_the_next_job_without_the_limit_of_the_last(tmp_path):
    with serving(tmp_path / "0-1") as link:
        for size in (0, 1 << 30):
            link.send(Job(Ballast(size), (), Limits(memory_bytes=64 << 20), 1))
            link.send((Span(0, 1), (), False))
            assert link.poll(60)
            kind, *content = link.recv()
            assert (kind, content[0]) == ("done", [])


def some_slices() -> list[Slice]:
    numbers = np.random.default_rng(0).standard_normal((2, 7, 5))
    return [
        Slice(d, Span(3, 8), own, np.full(5, d, np.int8), np.zeros(5, np.int8), {1: "odd"}, 0.5, 5)
        for d, own in enumerate(numbers)
    ]


@pytest.mark.parametrize("writable", [True, False])
def test_numbers_go_through_a_file_or_along_where_none_can_be_written(tmp_path, writable):
    slices, path = some_slices(), tmp_path / ("0-7-1.npy" if writable else "nowhere/0-7-1.npy")
    sent, deposit = deposited(slices, path)
    assert (deposit == path) == path.exists() == writable
    assert all(part.numbers.size == 0 for part in sent) == writable
    found = withdrawn(sent, deposit)
    assert list(tmp_path.iterdir()) == []
    for part, expected in zip(found, slices, strict=True):
        np.testing.assert_array_equal(part.numbers, expected.numbers)
        assert replace(part, numbers=expected.numbers).__dict__ == expected.__dict__


def test_no_deposit_is_left_in_the_nest():
    run = Reading(stand_in(1500), faulty("honest", "honest-twin"), workers=2)
    chunks = run.begun()
    folder = Path(run._pool._nest._folder.name)
    assert sum(len(chunk) for chunk in chunks) > 2
    assert list(folder.glob("*.npy")) == []


def test_a_reading_given_up_leaves_no_deposit_in_the_nest():
    """Chunks that were done, and that nobody has asked for, go with the worker that did them."""
    run = Reading(stand_in(3000), faulty("honest", "honest-twin"), workers=2)
    chunks = run.begun()
    folder = Path(run._pool._nest._folder.name)
    until = time.monotonic() + 60
    while len(list(folder.glob("*.npy"))) < 2 and time.monotonic() < until:
        time.sleep(0.01)
    assert len(list(folder.glob("*.npy"))) == 2  # one a worker: smaller ones are not lined up
    chunks.close()
    assert list(folder.glob("*.npy")) == []


def test_a_worker_does_not_wait_for_who_reads_its_answer(tmp_path):
    """With all that is handed over in one message it would: that is more than a pipe holds."""
    with serving(tmp_path / "0-1") as link:
        link.send(Reading(stand_in(4096), faulty("honest", "honest-twin")).job)
        for start in (0, 2048):
            link.send((Span(start, start + 2048), (0, 1) * 6, False))
        until = time.monotonic() + 60
        while len(list(tmp_path.glob("*.npy"))) < 2 and time.monotonic() < until:
            time.sleep(0.01)
        assert len(list(tmp_path.glob("*.npy"))) == 2  # and nobody has read a word


@pytest.mark.parametrize("killer", ["honest-twin", "os-exits"])
@pytest.mark.parametrize("others", [(900,), (20, 900)])
def test_workers_go_over_to_the_next_corpus_one_by_one(killer: str, others: tuple[int]) -> None:
    """The last chunk of one corpus is long in coming: whoever is idle is at the next by then.

    A detector that dies at that chunk gets it again in a fresh process; nothing is lost.
    """
    detectors = faulty("honest", killer)
    corpora = [stand_in(1500, poisoned=[10, 1499]), *(stand_in(n, seed=n) for n in others)]
    alone = [read_corpus(c, detectors, workers=2).readings for c in corpora]
    readings = [Reading(c, detectors, workers=2) for c in corpora]
    chunks, nests = [readings[0].begun()], []
    for one, other in pairwise(readings):
        one.when_idle = lambda one=one, other=other: chunks.append(other.begun(one))
    for i, (reading, expected) in enumerate(zip(readings, alone, strict=True)):
        nests.append(reading._pool._nest)
        frames = [reading.frame(chunk) for chunk in chunks[i]]
        assert_frame_equal(pd.concat(frames, ignore_index=True), expected)
    assert nests[0] is not None
    assert all(nest is nests[0] for nest in nests)
