"""A trial from corpus to folder: nothing depends on chunks, workers or who else runs."""

import errno
import math
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from echotrial import host as hosts
from echotrial import open_trial
from echotrial.columns import OUTCOMES, READINGS, SCORES
from echotrial.corpus.build import build
from echotrial.corpus.find import spec_named
from echotrial.corpus.store import Corpus
from echotrial.engine import Reading, read_corpus
from echotrial.errors import NotToBeHad, WrongQuestion
from echotrial.host import Host
from echotrial.scores import Gathering
from echotrial.trial import Trial, conduct
from echotrial.trial.conduct import Request
from pandas.testing import assert_frame_equal
from pyarrow import csv

from tests.corpus_fixtures import train, write_corpus

CARD = ("threshold", "correlation", "envelope", "cepstral")


@pytest.fixture(scope="module")
def host() -> Host:
    return hosts.load()


@pytest.fixture(scope="module")
def corpus(host: Host, tmp_path_factory: pytest.TempPathFactory) -> Corpus:
    spec = spec_named(host, "stainless-tube-20mhz")
    out = tmp_path_factory.mktemp("corpora") / "tube"
    return build(host, spec, size={"prove": 400, "tune": 120}, out=out)


@pytest.fixture(scope="module")
def trial(host: Host, corpus: Corpus, tmp_path_factory: pytest.TempPathFactory) -> Trial:
    request = Request([corpus], host.chosen(CARD), {"threshold": {"mode": 3}})
    return conduct(request, tmp_path_factory.mktemp("trials") / "one")


def test_a_row_for_every_record_and_detector(trial: Trial) -> None:
    assert set(trial.readings) == set(READINGS) | set(OUTCOMES)
    assert len(trial.readings) == 520 * len(CARD)
    assert not trial.readings["outcome"].isna().any()
    assert list(trial.scores) == list(SCORES)
    assert len(trial.records) == 520


def test_a_corpus_is_scored_while_workers_are_at_the_next(
    host: Host, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Else they would have nothing to do meanwhile."""
    done: list[str] = []

    def noted(name: str, own: Callable[..., Any]) -> Callable[..., Any]:
        def call(*args: Any, **kwargs: Any) -> Any:
            done.append(name)
            return own(*args, **kwargs)

        return call

    monkeypatch.setattr(Reading, "begun", noted("begin", Reading.begun))
    monkeypatch.setattr(Gathering, "panel", noted("score", Gathering.panel))
    traces, truth = np.stack([train(1.0), train(1.2)]), {"thickness_mm": [1.0, 1.2]}
    corpora = [
        write_corpus(tmp_path / name, traces, truth, prove=1, name=name) for name in ("one", "two")
    ]
    conduct(Request(corpora, host.chosen(["threshold"]), {}), tmp_path / "trial")
    assert done == ["begin", "begin", *4 * ["score"]]  # two panels of each


def test_only_the_truth_of_records_that_are_read_is_read(
    host, corpus, tmp_path, monkeypatch
) -> None:
    """Those between the first of `prove` and the first of `tune` may be a million."""
    asked, truth_rows = [], Corpus.truth_rows

    def counted(self: Corpus, start: int, stop: int) -> object:
        asked.append(stop - start)
        return truth_rows(self, start, stop)

    monkeypatch.setattr(Corpus, "truth_rows", counted)
    request = Request([corpus], host.chosen(["threshold"]), {}, records=20)
    assert len(conduct(request, tmp_path / "trial").records) == 40
    assert sum(asked) <= 3 * 20  # both splits for the tables, `tune` once more for its offsets


def test_what_ran_is_written_down(trial: Trial, corpus: Corpus) -> None:
    info = trial.info
    assert info["complete"] is True
    assert info["corpora"][0]["identity"] == corpus.identity
    by_name = {d["name"]: d for d in info["detectors"]}
    assert by_name["threshold"]["settings"]["mode"] == 3
    assert len(by_name["threshold"]["source_digest"]) == 64
    assert {o["detector"] for o in info["mark_offsets"]} == set(CARD)


def test_rates_can_be_counted_again_from_the_readings(trial: Trial, corpus: Corpus) -> None:
    low, high = corpus.setup.wall_range
    walls = trial.records[trial.records["thickness_mm"].between(low * 1e3, high * 1e3)]
    prove = trial.readings[trial.readings["split"] == "prove"]
    rows = trial.scores.query("stratum == 'whole' and measure == 'hit'")
    for row in rows.to_dict("records"):
        own = prove[(prove["detector"] == row["detector"]) & prove["record"].isin(walls["record"])]
        assert row["denominator"] == len(own)
        assert row["numerator"] == (own["outcome"] == "hit").sum()
        assert math.isclose(row["value"], row["numerator"] / row["denominator"])
    assert rows["numerator"].sum() > 0


def test_same_readings_whatever_the_chunks(host: Host, corpus: Corpus) -> None:
    chosen = host.chosen(CARD)
    whole = read_corpus(corpus, chosen, chunk=4096).readings
    parts = read_corpus(corpus, chosen, chunk=256).readings
    assert_frame_equal(whole, parts, check_exact=True)


def test_another_detector_changes_nobody_elses_readings(host: Host, corpus: Corpus) -> None:
    alone = read_corpus(corpus, host.chosen(["envelope"])).readings
    among = read_corpus(corpus, host.chosen(CARD)).readings
    among = among[among["detector"] == "envelope"].reset_index(drop=True)
    for column in alone:
        left, right = alone[column].astype(object), among[column].astype(object)
        pd.testing.assert_series_equal(left, right, check_exact=True)


def test_the_same_seed_makes_the_same_bytes(host: Host, corpus: Corpus, tmp_path: Path) -> None:
    spec = spec_named(host, "stainless-tube-20mhz")
    again = build(host, spec, size={"prove": 400, "tune": 120}, out=tmp_path / "again")
    other = build(host, spec, size={"prove": 400, "tune": 120}, seed=1, out=tmp_path / "other")
    for name in ("waveforms.npy", "truth.parquet", "known.parquet"):
        assert (again.folder / name).read_bytes() == (corpus.folder / name).read_bytes()
    for name in ("waveforms.npy", "truth.parquet"):
        assert (other.folder / name).read_bytes() != (corpus.folder / name).read_bytes()


def test_a_prefix_reads_the_first_records_of_each_split(
    host: Host, corpus: Corpus, trial: Trial, tmp_path: Path
) -> None:
    request = Request([corpus], host.chosen(["threshold"]), {"threshold": {"mode": 3}}, records=50)
    short = conduct(request, tmp_path / "short")
    assert short.readings["split"].value_counts().to_dict() == {"prove": 50, "tune": 50}
    whole = trial.readings[trial.readings["detector"] == "threshold"].set_index("record")
    mine = short.readings.set_index("record")
    assert mine["thickness_mm"].equals(whole.loc[mine.index, "thickness_mm"])


@pytest.mark.parametrize("odd", [1, "text", True, [1.5, 2.5]], ids=["int", "text", "bool", "list"])
def test_a_column_of_another_type_in_another_corpus_is_text_in_both(
    host: Host, tmp_path: Path, odd: object
) -> None:
    corpora = []
    for name, value in (("one", 7), ("two", odd), ("three", "text")):
        truth = {"thickness_mm": np.ones(4), "lot": [value, None, value, value]}
        waves = np.tile(train(1.0), (4, 1))
        corpora.append(write_corpus(tmp_path / name, waves, truth, name=name))
    found = conduct(Request(corpora, host.chosen(["threshold"]), {}), tmp_path / "trial")
    lots = found.records.groupby("corpus")["lot"].agg(list)
    assert lots["three"][0] == "text"
    for name, value in (("one", 7.0), ("two", odd)):
        assert isinstance(lots[name][0], str)
        assert lots[name][0].lower().startswith(str(value).lower().removesuffix(".0"))
        assert pd.isna(lots[name][1])


def test_a_stopped_trial_says_so(trial: Trial, tmp_path: Path) -> None:
    text = (trial.folder / "trial.toml").read_text(encoding="utf-8")
    (tmp_path / "trial.toml").write_text(text.replace("complete = true", "complete = false"))
    with pytest.raises(NotToBeHad, match="incomplete"):
        open_trial(tmp_path)


def test_what_cannot_be_run_is_refused(host: Host, corpus: Corpus, tmp_path: Path) -> None:
    chosen = host.chosen(["threshold"])
    with pytest.raises(WrongQuestion, match="two corpora"):
        conduct(Request([corpus, corpus], chosen, {}), tmp_path / "a")
    with pytest.raises(WrongQuestion, match="no corpus"):
        conduct(Request([], chosen, {}), tmp_path / "a")
    with pytest.raises(WrongQuestion, match="no detector"):
        conduct(Request([corpus], [], {}), tmp_path / "a")
    with pytest.raises(WrongQuestion, match="did you mean 'threshold'"):
        conduct(Request([corpus], chosen, {"treshold": {}}), tmp_path / "b")
    with pytest.raises(WrongQuestion, match="mode"):
        conduct(Request([corpus], chosen, {"threshold": {"mode": 7}}), tmp_path / "c")
    assert not list(tmp_path.iterdir())


def test_a_stopped_trial_goes_on_and_ends_as_if_undisturbed(
    host: Host, corpus: Corpus, tmp_path: Path
) -> None:
    chosen = host.chosen(["threshold", "envelope"])
    whole = conduct(Request([corpus], chosen, {}), tmp_path / "whole")
    steps = 0

    def stop(name: str, done: int, total: int) -> None:
        nonlocal steps
        steps += 1
        if steps == 2:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        conduct(Request([corpus], chosen, {}), tmp_path / "stopped", stop)
    with pytest.raises(NotToBeHad, match="incomplete"):
        open_trial(tmp_path / "stopped")
    with pytest.raises(WrongQuestion, match="other things"):
        conduct(Request([corpus], chosen[:1], {}), tmp_path / "stopped")
    assert list((tmp_path / "stopped" / "parts").iterdir())
    resumed = conduct(Request([corpus], chosen, {}), tmp_path / "stopped")
    for name in ("readings.parquet", "records.parquet"):
        same = (whole.folder / name).read_bytes() == (resumed.folder / name).read_bytes()
        assert same, name
    assert not (resumed.folder / "parts").exists()
    with pytest.raises(WrongQuestion, match="complete trial"):
        conduct(Request([corpus], chosen, {}), tmp_path / "stopped")


def test_a_shared_work_folder_saves_what_trials_share(
    host: Host, corpus: Corpus, tmp_path: Path
) -> None:
    work = tmp_path / "work"
    first = conduct(Request([corpus], host.chosen(["threshold"]), {}, work=work), tmp_path / "a")
    kept = {p: p.stat().st_mtime_ns for p in work.rglob("*") if p.is_file() and p.name != "lock"}
    both = Request([corpus], host.chosen(["threshold", "envelope"]), {}, work=work)
    second = conduct(both, tmp_path / "b")
    assert all(p.stat().st_mtime_ns == at for p, at in kept.items())
    again = second.readings[second.readings["detector"] == "threshold"]
    assert again["thickness_mm"].to_list() == pytest.approx(
        first.readings["thickness_mm"].to_list(), abs=0, nan_ok=True
    )


@pytest.mark.parametrize(
    ("owner", "method", "what"),
    [(csv, "write_csv", "scores"), (pq.ParquetWriter, "write_table", "tables")],
)
def test_a_full_disk_ends_the_trial_with_what_to_do_and_leaves_it_to_go_on(
    host, corpus, tmp_path, monkeypatch, owner, method, what
):
    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    request = Request([corpus], host.chosen(["threshold"]), {})
    with monkeypatch.context() as patched:
        patched.setattr(owner, method, full)
        with pytest.raises(NotToBeHad, match=rf"{what} cannot be written .No space.*make room"):
            conduct(request, tmp_path / "trial")
    with pytest.raises(NotToBeHad, match="incomplete"):
        open_trial(tmp_path / "trial")
    assert not list(tmp_path.glob("trial/scores*")) + list(tmp_path.glob("trial/*.parquet"))
    assert conduct(request, tmp_path / "trial").complete
