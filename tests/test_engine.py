"""Readings come out one a record and detector, whatever the chunks and whatever happens."""

import gc
import weakref
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from echotrial.ascan import Batch
from echotrial.columns import READINGS
from echotrial.engine import TILE, Reading, read_corpus
from echotrial.engine.plan import Span, chunk_size, chunks, parted, tapered, tiles_of, wanted
from echotrial.engine.sealed import adder, sealed, tally
from echotrial.engine.work import Bench
from echotrial.errors import WrongQuestion
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.engine_stand_in import expected_mm, faulty, stand_in


def of(result, name):
    return result.readings[result.readings["detector"] == name].reset_index(drop=True)


def test_one_row_a_record_and_detector_in_order():
    corpus = stand_in(700)
    result = read_corpus(corpus, faulty("honest", "honest-twin"))
    assert list(result.readings) == list(READINGS)
    assert result.readings["record"].tolist() == np.repeat(np.arange(700), 2).tolist()
    assert result.readings["detector"].tolist() == ["honest", "honest-twin"] * 700
    assert of(result, "honest")["split"].tolist() == corpus.truth["split"].tolist()
    np.testing.assert_allclose(of(result, "honest")["thickness_mm"], expected_mm(corpus))
    assert (result.readings["status"] == "ok").all()
    assert (result.readings["note"] == "").all()
    assert result.failures.empty
    assert set(result.seconds_per_record) == {"honest", "honest-twin"}
    assert all(0 < s < 1e-3 for s in result.seconds_per_record.values())


def test_detectors_are_let_go_of_without_the_collector() -> None:
    """One that suits no set-up, or fails, leaves no traceback that holds all that was prepared."""
    job = Reading(stand_in(8, poisoned=[3]), faulty("honest", "not-for-this", "raises")).job
    bench = Bench(job, own_process=True)
    found = bench.read(Span(0, 8), [0, 1, 2])
    alive = weakref.ref(bench)
    gc.disable()
    try:
        del bench
        assert alive() is None
    finally:
        gc.enable()
    assert len(found) == 3


@pytest.mark.parametrize(
    ("name", "status", "words"),
    [
        ("raises", "crashed", "RuntimeError: I do not like this record"),
        ("exits", "crashed", "SystemExit: 3"),
        ("writes-to-input", "crashed", "read-only"),
        ("unlocks-input", "crashed", "ValueError"),
        ("writes-past-the-lock", "crashed", "wrote to its input"),
        ("wrong-shape", "invalid", "shape (0,) for 1 records"),
        ("two-dimensional", "invalid", "confidence has shape (1, 2)"),
        ("infinite", "invalid", "a value is infinite"),
        ("negative", "invalid", "negative"),
        ("overconfident", "invalid", "outside [0, 1]"),
        ("returns-text", "crashed", "ValueError"),
    ],
)
def test_a_fault_costs_only_the_records_that_really_fail(name, status, words):
    poisoned = [0, 255, 256, 300, 301, 699]
    corpus = stand_in(700, poisoned=poisoned)
    result = read_corpus(corpus, faulty(name, "honest"))
    frame = of(result, name)
    assert np.flatnonzero(frame["status"] == status).tolist() == poisoned
    assert frame["note"][poisoned].str.contains(words, regex=False).all()
    assert frame["thickness_mm"][poisoned].isna().all()
    assert (frame["reason"][poisoned] == "fault").all()
    good = np.setdiff1d(np.arange(700), poisoned)
    assert (frame["status"][good] == "ok").all()
    np.testing.assert_array_equal(frame["thickness_mm"][good], expected_mm(corpus)[good])
    np.testing.assert_array_equal(of(result, "honest")["thickness_mm"], expected_mm(corpus))
    assert result.failures["records"].sum() == len(poisoned)


@pytest.mark.parametrize(
    ("name", "status", "note"),
    [
        ("not-for-this", "not applicable", "needs a reference echo"),
        ("prepare-raises", "crashed", "prepare: ValueError: no idea"),
    ],
)
def test_prepare_may_refuse_or_fail(name, status, note):
    result = read_corpus(stand_in(10), faulty(name, "honest"))
    frame = of(result, name)
    assert (frame["status"] == status).all()
    assert (frame["note"] == note).all()
    assert np.isnan(result.seconds_per_record[name])
    assert (of(result, "honest")["status"] == "ok").all()


def test_what_a_detector_changes_of_the_process_is_put_back():
    import os
    import random

    before = (os.getcwd(), np.geterr(), random.getstate(), np.random.get_state()[1].tolist())  # noqa: NPY002
    result = read_corpus(stand_in(10, poisoned=[3]), faulty("meddles", "draws"))
    after = (os.getcwd(), np.geterr(), random.getstate(), np.random.get_state()[1].tolist())  # noqa: NPY002
    assert before == after
    alone = read_corpus(stand_in(10), faulty("draws"))
    pd.testing.assert_series_equal(
        of(result, "draws")["thickness_mm"], of(alone, "draws")["thickness_mm"]
    )


def test_settings_reach_the_detector_and_wrong_ones_are_refused():
    corpus = stand_in(5)
    result = read_corpus(corpus, faulty("scaled"), settings={"scaled": {"level": 0.25}})
    np.testing.assert_allclose(result.readings["thickness_mm"], expected_mm(corpus) / 4)
    with pytest.raises(WrongQuestion, match=r"settings of scaled: levle: unknown key"):
        read_corpus(corpus, faulty("scaled"), settings={"scaled": {"levle": 1}})
    with pytest.raises(WrongQuestion, match=r"settings for 'scald'.*scaled"):
        read_corpus(corpus, faulty("scaled"), settings={"scald": {"level": 1}})


@pytest.mark.parametrize("chunk", [1, 256, 300, 512, 4096])
def test_readings_do_not_depend_on_the_chunk(chunk):
    corpus = stand_in(1300, poisoned=[5, 700])
    detectors = faulty("honest", "raises")
    whole = read_corpus(corpus, detectors).readings
    pd.testing.assert_frame_equal(read_corpus(corpus, detectors, chunk=chunk).readings, whole)


@pytest.mark.parametrize(
    "rows", [(10, 300), slice(0, 3), [699, 4, 4, 256], range(600, 700), (5, 5)]
)
def test_some_of_the_records_read_as_they_do_among_all(rows):
    corpus = stand_in(700)
    whole = read_corpus(corpus, faulty("honest", "scaled")).readings
    part = read_corpus(corpus, faulty("honest", "scaled"), rows=rows).readings
    asked = wanted(rows, 700)
    assert sorted(set(part["record"])) == asked.tolist()
    expected = whole[whole["record"].isin(asked)].reset_index(drop=True)
    pd.testing.assert_frame_equal(part, expected)


def test_records_that_are_not_there_are_refused():
    with pytest.raises(WrongQuestion, match="has 0 to 9"):
        read_corpus(stand_in(10), faulty("honest"), rows=(5, 11))


def test_no_detector_is_no_question():
    with pytest.raises(WrongQuestion, match="no detector to run"):
        read_corpus(stand_in(10), [])


def test_progress_counts_every_record_once():
    seen = []
    read_corpus(stand_in(700), faulty("honest"), chunk=256, progress=seen.append)
    assert seen == [256, 256, 188]


@given(
    length=st.integers(1, 5000),
    asked=st.one_of(st.none(), st.integers(1, 3000)),
    workers=st.integers(0, 4),
    data=st.data(),
)
@settings(deadline=None)
def test_chunks_cover_the_wanted_tiles_once_and_begin_on_the_grid(length, asked, workers, data):
    records = wanted(data.draw(st.lists(st.integers(0, length - 1), max_size=20)), length)
    size = chunk_size(asked, records.size, workers)
    found = list(chunks(tiles_of(records), length, size))
    covered = [r for span in found for r in range(span.start, span.stop)]
    assert len(covered) == len(set(covered))
    assert set(records) <= set(covered)
    assert all(span.start % TILE == 0 and len(span) <= size for span in found)
    assert all(span.stop % TILE == 0 or span.stop == length for span in found)


@given(st.integers(2, 5000))
def test_halves_keep_to_the_grid_down_to_a_tile(length):
    left, right = Span(0, length).halves()
    assert left.stop == right.start
    assert 0 < len(left) < length
    assert right.stop == length
    assert length <= TILE or left.stop % TILE == 0


@given(st.integers(1, 9000), st.integers(0, 5), st.integers(1, 4))
def test_smaller_last_chunks_cover_the_same_records_on_the_same_grid(length, workers, tiles):
    spans = list(chunks(np.arange(-(-length // TILE)), length, tiles * TILE))
    found = tapered(spans, workers)
    assert found[0].start == 0
    assert found[-1].stop == length
    assert all(a.stop == b.start for a, b in pairwise(found))
    assert all(s.start % TILE == 0 for s in found)
    if workers > 1:
        last = [s for s in found if s.start >= spans[-1].start]
        assert max(map(len, last)) <= max(TILE, len(spans[-1]) // 2 + TILE)


def test_chunks_of_a_split_come_first():
    spans = [Span(0, 256), Span(256, 512), Span(512, 768)]
    assert parted(spans, 500, 768) == (spans[1:], spans[:1])
    assert parted(spans, 0, 0) == ([], spans)


@pytest.mark.parametrize("samples", [7, 64])
def test_the_tally_adds_up_rows_and_columns_and_sees_a_change_of_order(samples):
    made = np.random.default_rng(2).standard_normal((5, samples)).astype(np.float32)
    setup = stand_in(1).setup

    def tally_of(values):
        return tally(sealed(Batch.of(values, 1e8, np.zeros(len(values)), setup), setup))

    bits = made.view(np.uint32)
    rows, columns = np.zeros(5, np.uint32), np.zeros(samples, np.uint32)
    adder()(bits, rows, columns)
    np.testing.assert_array_equal(rows, bits.sum(axis=1, dtype=np.uint32))
    np.testing.assert_array_equal(columns, bits.sum(axis=0, dtype=np.uint32))
    others = [made[::-1], made[:, ::-1], np.where(made == made.max(), made * 1.0001, made)]
    assert len({tally_of(values) for values in [made, *others]}) == 4
