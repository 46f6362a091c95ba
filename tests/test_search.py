"""The search of ``echotrial choose``: whom a death costs what, what a limit of time is spent on."""

from collections import deque
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from pathlib import Path

import pytest
from echotrial import host
from echotrial.choose.advice import advice
from echotrial.choose.conduct import _finalists
from echotrial.choose.crew import DIED, Crew, Judged, Step, Where
from echotrial.choose.feasibility import feasibility
from echotrial.choose.height import heights
from echotrial.choose.job import Job, read_job
from echotrial.choose.objective import Objective
from echotrial.choose.search import COMPILE_S, KEPT, Found, Hunt, search
from echotrial.choose.variation import spec_around
from echotrial.corpus.build import build
from echotrial.corpus.store import Corpus
from echotrial.errors import Refused
from echotrial.scores import Limits

PLATE = """
centre_frequency = "15 MHz"
bandwidth = "9 MHz"
wall_range = ["0.8 mm", "2 mm"]
wall = { material = "carbon steel" }
delay_line = { material = "polystyrene", length = "10 mm" }
"""


@pytest.fixture
def plate(tmp_path: Path) -> Job:
    """An invented set-up."""
    path = tmp_path / "plate.toml"
    path.write_text(PLATE, encoding="utf-8")
    return read_job(path, host.load(allow=["corpora"]).forward_model.materials())


class Scripted(Crew):
    """A crew of two whose futures come from a list: an answer, a death, or None = under way."""

    def __init__(self, futures):
        super().__init__(2)
        self.futures, self.begun = deque(futures), []

    def _submit(self, step):
        self.begun.append(step.detector)
        future, what = Future(), self.futures.popleft()
        if isinstance(what, list):
            future.set_result(what)
        elif what is not None:
            future.set_exception(what)
        return future


@pytest.mark.parametrize(
    ("futures", "begun"),
    [
        ([["a"], BrokenProcessPool(), BrokenProcessPool(), ["a"], ["c"]], "innocent deadly deadly"),
        (
            [None, BrokenProcessPool(), ["a"], BrokenProcessPool(), ["c"], ["a"]],
            "innocent deadly innocent deadly",
        ),
    ],
    ids=["the other had finished", "the other does not know of it yet"],
)
def test_a_death_blames_nobody_else_and_loses_no_step(tmp_path, futures, begun):
    where = Where(tmp_path, (), True, (), Limits())
    steps = [Step(where, name, ({},)) for name in ("innocent", "deadly", "third")]
    following = {"innocent": Step(where, "following", ({},))}
    told = []

    def then(step, answer):
        told.append((step.detector, answer))
        return following.pop(step.detector, None)

    crew = Scripted(futures)
    assert crew.run(steps, 600.0, then) == []
    assert " ".join(crew.begun).startswith(begun)
    assert sorted(name for name, _ in told) == ["deadly", "following", "innocent", "third"]
    assert [name for name, answer in told if answer == DIED] == ["deadly"]


class Clocked(Crew):
    """A crew that answers everything and spends what `spend` says of its limits, on its own clock.

    What is judged on the first records looks better than it is; the last detector looks best.
    """

    def __init__(self, names, spend):
        super().__init__(0)
        self.names, self.spend, self.now, self.limits = list(names), list(spend), 0.0, []

    def monotonic(self):
        return self.now

    def run(self, steps, limit_s, then):
        self.limits.append(limit_s)
        spent = self.spend.pop(0)
        if spent > limit_s:
            self.now += limit_s
            return list(steps)
        self.now += spent
        for step in steps:
            value = self.names.index(step.detector) / 100 + (0.2 if step.records else 0.0)
            judged = Judged(Objective(-1.0, value, -1.0, value, 0.0, 0.0, 0.0, 200))
            then(step, [judged] * len(step.settings))
        return []


def clocked(monkeypatch, tmp_path, spend, limit_s=120.0):
    installed = host.load()
    crew = Clocked(sorted(installed.detectors), spend)
    monkeypatch.setattr("echotrial.choose.search.time", crew)
    where = Where(tmp_path, (), True, (), Limits())
    found, left_s = search([installed.detectors[n] for n in crew.names], where, crew, limit_s)
    return crew, found, left_s


@pytest.mark.parametrize(
    ("first_s", "most_s"),
    [(150.0, 120.0), (COMPILE_S + 60.0, 60.0), (COMPILE_S + 120.0, 0.0)],
)
def test_the_limit_is_spent_once_and_compiling_is_not_of_it(monkeypatch, tmp_path, first_s, most_s):
    crew, _, left_s = clocked(monkeypatch, tmp_path, [first_s, 0.75 * most_s, 1.0])
    assert crew.limits[0] == COMPILE_S + 120.0
    assert crew.limits[1] == pytest.approx(0.75 * most_s)
    assert crew.limits[2] == pytest.approx(0.25 * most_s)
    assert crew.now - first_s + left_s == pytest.approx(most_s)


def test_only_the_confirmed_are_finalists_while_there_are_any(monkeypatch, tmp_path, plate):
    feasible = feasibility(host.load().forward_model, plate)
    crew, found, _ = clocked(monkeypatch, tmp_path, [1.0, 1.0, 1.0])
    confirmed = [f.detector for f in found if f.confirmed]
    assert confirmed == crew.names[-KEPT:]
    assert all("not confirmed" in f.left for f in found if f.detector not in confirmed)
    lucky = replace(found[0], objective=replace(found[0].objective, worst_hit=0.99))
    best = [f.detector for f in _finalists(feasible, [lucky, *found[1:]])]
    assert best == crew.names[:-4:-1]
    _, found, _ = clocked(monkeypatch, tmp_path, [1.0, 1.0, 999.0])
    assert not any(f.confirmed for f in found)
    assert [f.detector for f in _finalists(feasible, found)] == crew.names[:-4:-1]


def test_one_that_died_says_so_and_names_no_settings_as_out_of_time(tmp_path):
    hunt = Hunt(host.load().detectors["threshold"], Where(tmp_path, (), True, (), Limits()))
    hunt.take(hunt.first, [Judged(Objective(-1.0, 0.5, -1.0, 0.5, 0.0, 0.0, 0.0, 200))])
    assert hunt.found.left
    hunt.take(hunt.next(), DIED)
    assert hunt.found.objective is not None
    assert (hunt.found.left, hunt.found.lost) == ((), DIED)


def test_without_time_no_other_height_is_even_made(plate, tmp_path):
    finalist = Found("correlation", {}, None, 1)
    where = Where(tmp_path / "tune", (), True, (), Limits())
    tried = heights(host.load(), plate, [finalist], where, Crew(0), 0.0, tmp_path)
    assert "time limit" in tried.sentence
    assert not list(tmp_path.glob("height-*"))


def test_other_heights_and_changes_are_made_from_the_seed_of_tune(plate, tmp_path, monkeypatch):
    installed = host.load()
    size = {"prove": 0, "tune": 20}
    spec = spec_around(installed.forward_model, plate)
    tune = build(installed, spec, seed=5, size=size, out=tmp_path / "tune")
    monkeypatch.setattr("echotrial.choose.height.SCREEN", 20)
    where = Where(tune.folder, (), True, (), Limits())
    finalist = Found("correlation", {}, None, 1)
    with Crew(0) as crew:
        heights(installed, plate, [finalist], where, crew, 600.0, tmp_path, 5)
    made = [Corpus.open(p).manifest.synthetic for p in tmp_path.glob("height-*")]
    assert [m.seed for m in made] == [5, 5, 5]
    seeds = []

    def refuse(host, spec, *, seed, size, out):
        seeds.append(seed)
        raise Refused("not made")

    monkeypatch.setattr("echotrial.choose.advice.build", refuse)
    assert advice(installed, plate, {"correlation": {}}, seed=5)
    assert set(seeds) == {5}
