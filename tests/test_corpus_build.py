"""Building a synthetic corpus: what the forward model says, whole, once, and the same for all."""

import contextlib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from echotrial.corpus import build as module
from echotrial.corpus.build import CHUNK, build, counts_of, identity
from echotrial.corpus.find import obtain, opened, spec_named
from echotrial.corpus.manifest import Counts
from echotrial.corpus.store import Corpus
from echotrial.errors import Refused, WrongQuestion
from echotrial.hooks import CorpusEntry, SyntheticRecords
from echotrial.host import Host

from tests.corpus_fixtures import StandInModel, StandInSpec, host

FEW = {"prove": 7, "tune": 3}


@pytest.fixture(autouse=True)
def _home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ECHOTRIAL_HOME", str(tmp_path / "home"))


def test_a_built_corpus_holds_what_the_model_says(tmp_path: Path) -> None:
    made = build(host(), StandInSpec(), seed=5, size=FEW, out=tmp_path / "c")
    model, spec = StandInModel(), StandInSpec()
    for split, rows in (("prove", slice(0, 7)), ("tune", slice(7, 10))):
        wanted = model.records(spec, split, 5, 0, rows.stop - rows.start)
        assert np.array_equal(made.stored[rows], wanted.samples)
        assert made.truth["thickness_mm"][rows].to_list() == pytest.approx(
            wanted.truth["thickness_mm"].to_list(), nan_ok=True
        )
        assert made.known["start_us"][rows].to_list() == wanted.known["start_us"].to_list()
        assert set(made.truth["split"][rows]) == {split}
    assert (made.name, made.origin) == ("stand-in", "synthetic")


def test_from_the_manifest_it_can_be_made_again(tmp_path: Path) -> None:
    made = build(host(), StandInSpec(), seed=5, size=FEW, out=tmp_path / "c")
    synthetic = made.manifest.synthetic
    assert synthetic is not None
    assert (synthetic.spec, synthetic.seed) == (StandInSpec().canonical(), 5)
    assert made.identity == identity(synthetic.spec, synthetic.seed, synthetic.generator)


def _bytes(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir()}


@pytest.mark.slow
def test_workers_make_the_same_bytes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "CHUNKS_A_WORKER", 1)
    size = {"prove": 2 * CHUNK + 17, "tune": 40}
    seen: list[tuple[int, int]] = []
    alone = build(host(), StandInSpec(), size=size, out=tmp_path / "1")
    two = build(
        host(), StandInSpec(), size=size, out=tmp_path / "2", workers=2,
        progress=lambda done, total: seen.append((done, total)),
    )  # fmt: skip
    assert _bytes(alone.folder) == _bytes(two.folder)
    total = 2 * CHUNK + 57
    assert seen == [(CHUNK, total), (2 * CHUNK, total), (2 * CHUNK + 17, total), (total, total)]


def test_a_smaller_corpus_is_a_prefix_of_a_larger_one(tmp_path: Path) -> None:
    small = build(host(), StandInSpec(), size={"prove": 5}, out=tmp_path / "1")
    large = build(host(), StandInSpec(), size={"prove": CHUNK + 9}, out=tmp_path / "2")
    assert np.array_equal(small.stored, large.stored[:5])
    assert small.identity == large.identity


def test_identity_follows_spec_seed_and_generator() -> None:
    same = identity("a", 0, "g")
    assert same == identity("a", 0, "g")
    assert len({same, identity("b", 0, "g"), identity("a", 1, "g"), identity("a", 0, "h")}) == 4


class _CountsCalls(StandInModel):
    calls = 0

    def records(
        self, spec: StandInSpec, split: str, seed: int, start: int, stop: int
    ) -> SyntheticRecords:
        type(self).calls += 1
        return super().records(spec, split, seed, start, stop)


def test_what_was_built_is_not_built_again() -> None:
    _CountsCalls.calls = 0
    first = build(host(_CountsCalls()), StandInSpec(), size="smoke")
    again = build(host(_CountsCalls()), StandInSpec(), size="smoke")
    assert _CountsCalls.calls == 2  # one chunk for each split
    assert first.folder == again.folder
    others = [
        build(host(), StandInSpec(), size="smoke", seed=1),
        build(host(), StandInSpec(), size=FEW),
        build(host(StandInModel(version="stand-in 2")), StandInSpec(), size="smoke"),
        build(host(), StandInSpec(samples=65), size="smoke"),
    ]
    assert len({first.folder, *(o.folder for o in others)}) == 5


def test_a_damaged_one_is_refused_until_it_is_replaced() -> None:
    made = build(host(), StandInSpec(), size="smoke")
    with (made.folder / "waveforms.npy").open("r+b") as file:
        file.seek(200)
        file.write(b"damage")
    with pytest.raises(Refused, match="--replace makes it anew"):
        build(host(), StandInSpec(), size="smoke")
    build(host(), StandInSpec(), size="smoke", replace=True).verify()


def test_a_folder_with_something_else_is_left_alone(tmp_path: Path) -> None:
    build(host(), StandInSpec(), size=FEW, out=tmp_path / "c")
    with pytest.raises(WrongQuestion, match="holds another corpus"):
        build(host(), StandInSpec(), seed=1, size=FEW, out=tmp_path / "c")
    with pytest.raises(WrongQuestion, match="holds another corpus"):
        build(host(), StandInSpec(), size={"prove": 8}, out=tmp_path / "c")
    assert Corpus.open(tmp_path / "c").manifest.records == Counts(**FEW)


class _Fails(StandInModel):
    def records(
        self, spec: StandInSpec, split: str, seed: int, start: int, stop: int
    ) -> SyntheticRecords:
        if start:
            raise RuntimeError("half way")
        return super().records(spec, split, seed, start, stop)


def test_a_build_that_fails_leaves_nothing_behind(tmp_path: Path) -> None:
    with contextlib.suppress(RuntimeError):
        build(host(_Fails()), StandInSpec(), size={"prove": CHUNK + 1}, out=tmp_path / "x" / "c")
    assert list((tmp_path / "x").iterdir()) == []


def test_sizes_come_from_the_spec_then_from_the_house() -> None:
    assert counts_of(StandInSpec(), "smoke") == Counts(prove=7, tune=3)
    assert counts_of(StandInSpec(), "run") == Counts(prove=2000, tune=1000)
    with pytest.raises(WrongQuestion, match="did you mean 'standard'"):
        counts_of(StandInSpec(), "standart")
    with pytest.raises(WrongQuestion, match="at least one record"):
        counts_of(StandInSpec(), {"prove": 0})


def test_a_half_real_spec_says_so(tmp_path: Path) -> None:
    spec = replace(StandInSpec())
    object.__setattr__(spec, "origin", "semi-synthetic")
    assert build(host(), spec, size=FEW, out=tmp_path / "c").origin == "semi-synthetic"


# -- finding --------------------------------------------------------------------------------------


def _offering(tmp_path: Path) -> Host:
    found = host()
    found.corpora["tubes"] = CorpusEntry("tubes", tmp_path / "tubes.toml")
    found.corpora["block"] = CorpusEntry("block", tmp_path / "block.toml", kind="recorded")
    return found


def test_a_name_a_file_and_a_folder_are_found(tmp_path: Path) -> None:
    offering = _offering(tmp_path)
    by_name = obtain(offering, "tubes", size=FEW)
    by_file = obtain(offering, str(tmp_path / "pipes.toml"), size=FEW)
    assert (by_name.name, by_file.name) == ("tubes", "pipes")
    assert obtain(offering, str(by_name.folder)).identity == by_name.identity
    assert opened(by_name.folder.name).identity == by_name.identity


@pytest.mark.parametrize(
    ("what", "says"),
    [
        ("tubs", "no corpus 'tubs'.*did you mean 'tubes'"),
        ("block", "corpus fetch block"),
    ],
)
def test_a_wrong_name_gets_the_nearest(tmp_path: Path, what: str, says: str) -> None:
    with pytest.raises(WrongQuestion, match=says):
        obtain(_offering(tmp_path), what)


def test_without_a_forward_model_nothing_is_built(tmp_path: Path) -> None:
    with pytest.raises(WrongQuestion, match="no plugin brings a forward model"):
        spec_named(Host(), str(tmp_path / "a.toml"))
