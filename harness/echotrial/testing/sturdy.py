"""Checks that nothing brings a detector down: odd records, and settings at their bounds."""

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from echotrial.ascan import Batch
from echotrial.detector import Detect, bounds_of, candidates_of, choices_of
from echotrial.errors import NotApplicable
from echotrial.testing.case import Broken, Case
from echotrial.testing.limit import Budget
from echotrial.testing.odd import ODD, spike
from echotrial.testing.sameness import difference, joined
from echotrial.testing.search import search
from echotrial.testing.signals import Record, Scene, batch_of, noise_batch, trace
from echotrial.testing.subject import Subject, read

#: Seconds after which each choice of settings is tried in one set-up, in turns.
PATIENCE_S = 10.0


def survives_odd_records(subject: Subject) -> str:
    """Silence, a constant, a square, a spike, NaN: no crash, no infinite or negative wall."""
    for scene, detect in subject.prepared:
        for name, make in ODD.items():
            read(detect, _batch(scene, make(scene)), scene.name, name)

        _require_sturdy_on_spikes(scene, detect)
        short = trace(scene, Record())[: scene.quiet_samples // 2]
        read(detect, _batch(scene, short), scene.name, "a record shorter than any pulse")
        _require_good_neighbours(scene, detect)
    return f"{len(ODD) + 2} kinds of odd record in each of {len(subject.prepared)} set-ups"


def _require_sturdy_on_spikes(scene: Scene, detect: Detect) -> None:
    """A spike at each sample in turn, up and down; then hypothesis, over heights too."""

    def law(position: int, height: float) -> None:
        made_of = f"spike of {height:g} at sample {position}"
        read(detect, _batch(scene, spike(scene, position, height)), scene.name, made_of)

    everywhere = np.eye(scene.n_samples) * np.where(np.arange(scene.n_samples) % 2, 1, -1)
    try:
        read(detect, _batch(scene, everywhere), scene.name, "a spike at each sample in turn")
    except Broken:
        for position in range(scene.n_samples):  # the same again, to name the one record
            law(position, everywhere[position, position])
        raise
    search(law, st.integers(0, scene.n_samples - 1), st.floats(-1, 1, width=32))


def _require_good_neighbours(scene: Scene, detect: Detect) -> None:
    good = trace(scene, Record())
    mixed = _batch(scene, np.stack([good, *(make(scene) for make in ODD.values()), good]))
    ends = np.array([0, len(mixed) - 1])
    together = read(detect, mixed, scene.name, "odd records between two good ones")
    beside = [Batch.take(mixed, slice(i, i + 1)) for i in ends]
    alone = joined([read(detect, b, scene.name) for b in beside])
    among = type(together)(**{name: column[ends] for name, column in vars(together).items()})
    found = difference(among, alone)
    if found:
        raise Broken(
            f"an odd record in the batch changes the reading of a good one: {found[0]}",
            Case(scene.name, mixed, int(ends[found[1]]), "good record", together),
        )


def settings_hold_at_their_bounds(subject: Subject) -> str:
    """Each setting at both ends and at every candidate: accepted, and no crash."""
    model: type[BaseModel] = subject.factory.Settings
    _require_refusals(model)
    scenes, budget, tried = [scene for scene, _ in subject.prepared], Budget(PATIENCE_S), 0
    for chosen in _corners(model):
        told = ", ".join(f"{k}={v!r}" for k, v in chosen.items())
        try:
            settings = model(**chosen)
        except ValidationError as error:
            if len(chosen) > 1:
                continue  # settings that exclude each other may say so
            reason = error.errors()[0]["msg"]
            raise Broken(f"its own bound or candidate is refused: {told}: {reason}") from None
        tried += 1
        try:
            _require_reads(
                Subject(subject.factory, settings),
                scenes[tried % len(scenes) :][:1] if budget.spent else scenes,
                told,
            )
        except Broken as broken:
            raise Broken(f"with {told}: {broken.message}", broken.case) from broken
    return f"{tried} choices of settings"


def _require_reads(subject: Subject, scenes: Sequence[Scene], told: str) -> None:
    for scene in scenes:
        try:
            detect = subject.prepare(scene.setup)
        except NotApplicable:
            continue
        walls = batch_of(scene, [Record(s, noise_seed=i) for i, s in enumerate((0, 0.3, 1, None))])
        read(detect, walls, scene.name, told)
        read(detect, noise_batch(scene, 4), scene.name, f"noise, {told}")
        odd = np.stack([make(scene) for make in ODD.values()])
        read(detect, _batch(scene, odd), scene.name, f"odd records, {told}")


def _corners(model: type[BaseModel]) -> Iterator[dict[str, Any]]:
    """One setting after the other at each of its ends and candidates, then all at once."""
    choices = {name: values_worth_trying(field) for name, field in model.model_fields.items()}
    for name, values in choices.items():
        for value in values:
            yield {name: value}
    ends = {name: values for name, values in choices.items() if values}
    if len(ends) > 1:
        yield {name: values[0] for name, values in ends.items()}
        yield {name: values[-1] for name, values in ends.items()}


def values_worth_trying(field: FieldInfo) -> list[Any]:
    """Both bounds of a setting, every choice and every candidate, each once."""
    low, high = bounds_of(field)
    found = [low, *choices_of(field.annotation), *candidates_of(field), high]
    return [v for i, v in enumerate(found) if v is not None and v not in found[:i]]


def _require_refusals(model: type[BaseModel]) -> None:
    """What is not a setting, or lies outside its bounds, has to be refused."""
    wrong: list[dict[str, Any]] = [{"no_such_setting": 1}]
    for name, field in model.model_fields.items():
        low, high = bounds_of(field)
        wrong += [{name: low - 1}] if low is not None else []
        wrong += [{name: high + 1}] if high is not None else []
    for chosen in wrong:
        try:
            model(**chosen)
        except ValidationError:
            continue
        raise Broken(f"Settings accepts {chosen}, and has to refuse it")


def _batch(scene: Scene, samples: np.ndarray) -> Batch:
    return Batch.of(samples, scene.rate_hz, scene.start_s, scene.setup)
