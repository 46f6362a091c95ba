"""What the engine costs beside its detectors: the same detectors over the same records, bare."""

import pytest
from echotrial import host
from echotrial.ascan import Batch
from echotrial.corpus.store import Corpus
from echotrial.engine import read_corpus

from benchmarks.scale import BASICS, original

CHUNK = 1024


@pytest.fixture(scope="module")
def corpus() -> Corpus:
    return original()


def bare(corpus: Corpus) -> None:
    """The least one can do: read each chunk once and hand it to every detector."""
    detects = [
        d.factory().prepare(corpus.setup, d.factory.Settings()) for d in host.load().chosen(BASICS)
    ]
    for start in range(0, len(corpus), CHUNK):
        batch: Batch = corpus.batch(start, start + CHUNK)
        for detect in detects:
            detect(batch)


def test_bare_loop(benchmark, corpus):
    benchmark.group = "engine, four basic detectors, 3,000 records"
    benchmark.pedantic(bare, (corpus,), rounds=3, warmup_rounds=1)


@pytest.mark.parametrize("workers", [0, 1, 2])
def test_engine(benchmark, corpus, workers):
    benchmark.group = "engine, four basic detectors, 3,000 records"
    detectors = host.load().chosen(BASICS)
    options = {"workers": workers, "chunk": CHUNK}
    result = benchmark.pedantic(
        read_corpus, (corpus, detectors), options, rounds=3, warmup_rounds=1
    )
    assert len(result.readings) == len(BASICS) * len(corpus)


def test_remembered(benchmark, corpus, tmp_path):
    benchmark.group = "engine, four basic detectors, 3,000 records"
    detectors = host.load().chosen(BASICS)
    options = {"work": tmp_path, "chunk": CHUNK}
    result = benchmark.pedantic(
        read_corpus, (corpus, detectors), options, rounds=3, warmup_rounds=1
    )
    assert len(result.readings) == len(BASICS) * len(corpus)
