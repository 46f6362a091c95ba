"""The corpus folder: what goes in comes out, and what does not fit together is refused."""

import os
import pickle
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from echotrial import files
from echotrial.corpus.manifest import Counts, Description, Sampling
from echotrial.corpus.store import Corpus, CorpusWriter, records_named, scaled
from echotrial.errors import Refused, WrongQuestion
from echotrial.hooks import Material
from echotrial.setup import Medium
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from tests.corpus_fixtures import RATE, reference_echo, setup, write_corpus

WAVES = np.random.default_rng(1).integers(-32767, 32768, (9, 40)).astype(np.int16)
TRUTH = {"thickness_mm": [1.0, np.nan, 2.0] * 3, "back_wall_us": [[2.6, 3.0], [], [3.0]] * 3}


@pytest.fixture(autouse=True)
def _home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ECHOTRIAL_HOME", str(tmp_path / "home"))


@pytest.fixture
def corpus(tmp_path: Path) -> Corpus:
    known = {"start_us": 2.0 + np.arange(9) / 1000}
    return write_corpus(tmp_path / "c", WAVES, TRUTH, known=known, prove=6)


def test_what_goes_in_comes_out(corpus: Corpus) -> None:
    assert (len(corpus), corpus.n_samples, corpus.rate_hz) == (9, 40, RATE)
    assert corpus.setup == setup()
    assert corpus.truth["thickness_mm"].to_list() == pytest.approx(
        TRUTH["thickness_mm"], nan_ok=True
    )
    assert [list(e) for e in corpus.truth["back_wall_us"]] == TRUTH["back_wall_us"]
    assert corpus.truth["record"].to_list() == list(range(9))
    assert corpus.truth["split"].to_list() == ["prove"] * 6 + ["tune"] * 3
    assert (corpus.rows("prove"), corpus.rows("tune")) == (slice(0, 6), slice(6, 9))


def test_a_batch_has_the_layout_that_detectors_are_promised(corpus: Corpus) -> None:
    batch = corpus.batch(2, 5)
    assert batch.samples.dtype == np.float32
    assert batch.samples.flags.c_contiguous
    assert not batch.samples.flags.writeable
    assert not batch.start_s.flags.writeable
    slow = [[np.float32(int(v) / 32767) for v in row] for row in WAVES[2:5]]
    assert np.array_equal(batch.samples, np.array(slow, np.float32))
    assert np.allclose(batch.start_s, [2.002e-6, 2.003e-6, 2.004e-6], rtol=1e-12)
    assert len(corpus.batch()) == len(corpus.batch(0, 99)) == 9


def test_a_batch_holds_no_truth(corpus: Corpus) -> None:
    truths = {"thickness_mm", "back_wall_us", "specimen", "split"}
    assert truths.isdisjoint(vars(corpus.batch(0, 2)))
    assert list(corpus.known.columns) == ["start_us"]


@given(
    hnp.arrays(np.float32, (3, 8), elements=st.floats(-5, 5, width=32)),
    st.floats(0.01, 100),
)
def test_floats_are_scaled_by_full_scale(rows: Any, full_scale: float) -> None:
    assert np.allclose(scaled(rows, full_scale), rows / full_scale, rtol=1e-6)


def test_floats_keep_their_full_scale(tmp_path: Path) -> None:
    waves = np.linspace(-0.5, 0.5, 80, dtype=np.float32).reshape(2, 40)
    made = write_corpus(tmp_path / "c", waves, {"thickness_mm": [1.0, 2.0]}, full_scale=0.5)
    assert np.array_equal(made.stored, waves)
    assert np.allclose(made.batch().samples, waves / 0.5)


def test_the_reference_echo_travels_along(tmp_path: Path) -> None:
    made_of = setup(reference_echo=reference_echo())
    made = write_corpus(tmp_path / "c", WAVES, TRUTH, made_of=made_of)
    assert made.setup.reference_echo == made_of.reference_echo
    assert made.setup.digest() == made_of.digest()


@pytest.mark.parametrize("group", [2, 4, 8192])
def test_chunks_make_no_difference(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, group: int
) -> None:
    """Nor does it matter how chunks and row groups overlap."""
    monkeypatch.setattr("echotrial.corpus.store.GROUP", group)
    known = {"start_us": 2.0 + np.arange(9) / 1000}
    corpus = write_corpus(tmp_path / "c", WAVES, TRUTH, known=known, prove=6)
    table = pd.DataFrame(
        {"specimen": [f"piece {i}" for i in range(9)], "thickness_u_mm": 0.0} | TRUTH
    )
    with CorpusWriter(
        tmp_path / "d",
        Description(name="made", origin="synthetic"),
        setup(),
        Sampling(rate=RATE, samples=40),
        Counts(prove=6, tune=3),
    ) as writer:
        for rows in (slice(0, 2), slice(2, 9)):
            writer.append(WAVES[rows], pd.DataFrame(known)[rows], table[rows])
    other = Corpus.open(tmp_path / "d")
    assert other.identity == corpus.identity
    for name in ("waveforms.npy", "known.parquet", "truth.parquet"):
        assert (other.folder / name).read_bytes() == (corpus.folder / name).read_bytes()
    pd.testing.assert_frame_equal(other.truth, corpus.truth)
    for start, stop in ((0, 9), (3, 7), (8, 9), (1, 2), (4, 4)):
        rows = other.truth_rows(start, stop).to_pandas()
        pd.testing.assert_frame_equal(rows, corpus.truth[start:stop].reset_index(drop=True))
    assert list(Corpus.open(other.folder).truth_of("kind", "thickness_mm", "none")) == [
        c for c in ("kind", "thickness_mm") if c in corpus.truth
    ]


def test_identity_follows_what_is_in_it(tmp_path: Path, corpus: Corpus) -> None:
    known = {"start_us": 2.0 + np.arange(9) / 1000}
    changed = WAVES.copy()
    changed[4, 4] ^= 1
    thicker = TRUTH | {"thickness_mm": [1.0, np.nan, 2.0] * 2 + [1.0, np.nan, 2.0000001]}
    others = [
        write_corpus(tmp_path / "1", changed, TRUTH, known=known, prove=6),
        write_corpus(tmp_path / "2", WAVES, thicker, known=known, prove=6),
        write_corpus(tmp_path / "3", WAVES, TRUTH, known={"start_us": [2.0] * 9}, prove=6),
        write_corpus(tmp_path / "4", WAVES, TRUTH, known=known, prove=5),
        write_corpus(tmp_path / "5", WAVES, TRUTH, known=known, prove=6, made_of=setup(mode=3)),
    ]
    assert len({corpus.identity, *(o.identity for o in others)}) == 6
    again = write_corpus(tmp_path / "6", WAVES, TRUTH, known=known, prove=6)
    assert again.identity == corpus.identity


def test_an_open_corpus_travels_without_its_waveforms(corpus: Corpus) -> None:
    corpus.batch(), corpus.truth
    letter = pickle.dumps(corpus)
    assert len(letter) < 5000
    assert np.array_equal(pickle.loads(letter).batch().samples, corpus.batch().samples)


# -- materials ------------------------------------------------------------------------------------


def _table() -> dict[str, Material]:
    return {"tin": Material("tin", 3300.0, 7300.0, 0.0, 5e6, 1.0, "invented", 0.0)}


def test_named_materials_become_impedances(tmp_path: Path) -> None:
    write_corpus(tmp_path / "c", WAVES, TRUTH, made_of=setup(wall=Medium(material="tin")))
    plain, told = Corpus.open(tmp_path / "c"), Corpus.open(tmp_path / "c", materials=_table())
    assert plain.setup.wall is not None
    assert plain.setup.wall.impedance is None
    assert told.setup.wall is not None
    assert told.setup.wall.impedance == pytest.approx(3300.0 * 7300.0)


def test_an_unknown_material_is_refused_where_a_table_is_given(tmp_path: Path) -> None:
    write_corpus(tmp_path / "c", WAVES, TRUTH, made_of=setup(wall=Medium(material="tim")))
    with pytest.raises(WrongQuestion, match="did you mean 'tin'"):
        Corpus.open(tmp_path / "c", materials=_table())


# -- what is refused ------------------------------------------------------------------------------


def test_a_damaged_file_is_found(corpus: Corpus) -> None:
    corpus.verify()
    for name in ("waveforms.npy", "truth.parquet", "known.parquet"):
        path = corpus.folder / name
        whole = path.read_bytes()
        path.write_bytes(whole[:-5] + bytes([whole[-5] ^ 1]) + whole[-4:])
        with pytest.raises(Refused, match=f"{name}: its checksum"):
            corpus.verify()
        path.write_bytes(whole)
    corpus.verify()


def test_an_undamaged_corpus_is_read_through_once(
    corpus: Corpus, monkeypatch: pytest.MonkeyPatch
) -> None:
    for path in corpus.folder.iterdir():
        os.utime(path, ns=(10**18, 10**18))
    corpus.verify()
    monkeypatch.setattr(files, "sha256", lambda path: pytest.fail(f"{path} was read again"))
    corpus.verify()


@pytest.mark.parametrize("name", ["waveforms.npy", "truth.parquet", "known.parquet"])
def test_a_file_cut_short_or_missing_is_damage(corpus: Corpus, name: str) -> None:
    path = corpus.folder / name
    path.write_bytes(path.read_bytes()[:100])
    with pytest.raises(Refused, match=name):
        Corpus.open(corpus.folder)
    path.unlink()
    with pytest.raises(Refused, match=name):
        Corpus.open(corpus.folder)


def test_no_corpus_here(tmp_path: Path) -> None:
    with pytest.raises(WrongQuestion, match="no corpus folder"):
        Corpus.open(tmp_path)


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        ("prove = 6", "prove = 7", "shape \\(9, 40\\), but corpus.toml says 10 records"),
        ("samples = 40", "samples = 41", "9 records of 41 samples"),
        ("prove = 6\ntune = 3", "prove = 0\ntune = 0", "an empty corpus"),
        ('rate = "100 MHz"', "rate = 100", "has no unit"),
        ('rate = "100 MHz"', 'rate = "100 us"', "is a time, not a frequency"),
        ("[records]", "[record]", "did you mean 'records'"),
        ("format = 1", "format = 2", "format"),
        ('velocity = "5000 m/s"', "velocity = 5000", "setup: velocity: 5000 has no unit"),
    ],
)
def test_a_manifest_that_cannot_be_is_refused(
    corpus: Corpus, before: str, after: str, says: str
) -> None:
    path = corpus.folder / "corpus.toml"
    text = path.read_text(encoding="utf-8")
    assert before in text
    path.write_text(text.replace(before, after), encoding="utf-8")
    with pytest.raises(WrongQuestion, match=says):
        Corpus.open(corpus.folder)


def test_tables_of_another_length_are_refused(corpus: Corpus) -> None:
    corpus.truth.iloc[:-1].to_parquet(corpus.folder / "truth.parquet")
    with pytest.raises(WrongQuestion, match="8 rows for 9 records"):
        Corpus.open(corpus.folder)


def test_a_truth_without_its_columns_is_refused(corpus: Corpus) -> None:
    corpus.truth.drop(columns="specimen").to_parquet(corpus.folder / "truth.parquet")
    with pytest.raises(WrongQuestion, match="no column specimen"):
        Corpus.open(corpus.folder)


def test_waveforms_of_objects_are_never_unpickled(corpus: Corpus) -> None:
    np.save(corpus.folder / "waveforms.npy", np.array([{}] * 9), allow_pickle=True)
    with pytest.raises(Refused, match=r"waveforms\.npy"):
        Corpus.open(corpus.folder)


def test_samples_that_are_not_finite_are_named_when_read(tmp_path: Path) -> None:
    waves = np.zeros((5, 40), np.float32)
    waves[3, 7] = np.nan
    made = write_corpus(tmp_path / "c", waves, {"thickness_mm": [1.0] * 5})
    assert len(made.batch(0, 3)) == 3
    with pytest.raises(Refused, match="not finite in record 3"):
        made.batch(2, 5)


def test_an_unknown_split_is_refused(corpus: Corpus) -> None:
    with pytest.raises(WrongQuestion, match="did you mean 'prove'"):
        corpus.rows("proof")


def test_fewer_records_than_promised_leave_nothing_behind(tmp_path: Path) -> None:
    with (
        pytest.raises(WrongQuestion, match="0 records of 4"),
        CorpusWriter(
            tmp_path / "c",
            Description(name="made", origin="synthetic"),
            setup(),
            Sampling(rate=RATE, samples=40),
            Counts(prove=4),
        ),
    ):
        pass
    assert list(tmp_path.iterdir()) == []


def test_an_error_while_writing_leaves_nothing_behind(tmp_path: Path) -> None:
    with pytest.raises(WrongQuestion, match="40 of int16 were promised"):  # noqa: SIM117
        with CorpusWriter(
            tmp_path / "c",
            Description(name="made", origin="synthetic"),
            setup(),
            Sampling(rate=RATE, samples=40),
            Counts(prove=9),
        ) as writer:
            writer.append(WAVES.astype(np.float32), pd.DataFrame(), pd.DataFrame())
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_there_is_not_overwritten(tmp_path: Path, corpus: Corpus) -> None:
    with pytest.raises(WrongQuestion, match="--replace"):
        write_corpus(corpus.folder, WAVES, TRUTH)
    write_corpus(corpus.folder, WAVES[:3], {"thickness_mm": [1.0] * 3}, replace=True)
    assert len(Corpus.open(corpus.folder)) == 3


def test_the_manifest_reads_as_toml_with_units(corpus: Corpus) -> None:
    table = tomllib.loads((corpus.folder / "corpus.toml").read_text(encoding="utf-8"))
    assert table["sampling"] == {"rate": "100 MHz", "samples": 40, "full_scale": 1.0}
    assert table["setup"]["wall_range"] == ["0.5 mm", "3 mm"]
    assert set(table["checksums"]) == {"waveforms.npy", "truth.parquet", "known.parquet"}


def test_records_are_named_shortly() -> None:
    assert records_named([4]) == "record 4"
    assert records_named(range(8)) == "8 records: 0, 1, 2, 3, 4 ..."
