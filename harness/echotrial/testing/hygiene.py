"""Checks that a detector minds its own business: input, memory, settings of the process."""

import copy
import os
import random
import re
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, get_args

import numpy as np

from echotrial.ascan import Batch, Readings
from echotrial.detector import Detect, Invariance
from echotrial.errors import NotApplicable
from echotrial.testing.case import Broken, Case
from echotrial.testing.sameness import exact_difference
from echotrial.testing.signals import SCENES, Record, Scene, batch_of, noise_batch
from echotrial.testing.subject import Subject, read


def says_what_it_is(subject: Subject) -> str:
    """Name, version, settings with defaults, and invariances that exist."""
    name, declared = subject.factory.name, subject.factory.invariances
    if not re.fullmatch(r"[a-z][a-z0-9]*(-[a-z0-9]+)*", name):
        raise Broken(f"name {name!r} is not of lower-case words joined by hyphens")
    unknown = set(declared) - set(get_args(Invariance))
    if unknown:
        known = ", ".join(get_args(Invariance))
        raise Broken(f"invariances {sorted(unknown)} are not known; known are: {known}")
    return f"{name} {subject.factory.version}"


def gives_well_formed_readings(subject: Subject) -> str:
    """One row a record; walls finite and positive; confidence in [0, 1]; silence has a reason."""
    for scene, detect in subject.prepared:
        batch = _mixed(scene)
        readings = read(detect, batch, scene.name)
        unstated = np.flatnonzero(~readings.answered & (readings.reason == 1))
        if unstated.size and not hasattr(subject.factory, "function"):
            raise Broken(
                "gave no reading and left the reason unstated",
                Case(scene.name, batch, int(unstated[0]), "", readings),
            )
    return "shapes, types and values"


def leaves_input_alone(subject: Subject) -> str:
    """Samples, clock and set-up are as before, and a read-only batch is enough."""
    for scene, detect in subject.prepared:
        made = _mixed(scene)
        open_to_writing = Batch(made.samples.copy(), made.rate_hz, made.start_s.copy(), scene.setup)
        for batch in (open_to_writing, made):
            before = _content(batch)
            read(detect, batch, scene.name)
            changed = [name for name, value in _content(batch).items() if value != before[name]]
            if changed:
                raise Broken(f"changed its input: {', '.join(changed)}", Case(scene.name, made))
    return "unchanged, writable or not"


def _content(batch: Batch) -> dict[str, Any]:
    return {
        "samples": batch.samples.tobytes(),
        "start_s": batch.start_s.tobytes(),
        "spectrum": batch.spectrum.tobytes(),
        "analytic": batch.analytic.tobytes(),
        "set-up": batch.setup.digest(),
    }


def repeats_itself(subject: Subject) -> str:
    """The same batch, the same numbers: at once, after other batches, and prepared anew."""
    for scene, detect in subject.prepared:
        batch = _mixed(scene)
        first = read(detect, batch, scene.name)
        again = read(detect, batch, scene.name)
        _require_equal("asked twice", again, first, scene, batch)
        read(detect, noise_batch(scene, 3), scene.name)
        _require_equal("after another batch", read(detect, batch, scene.name), first, scene, batch)
        anew = read(subject.prepare(scene.setup), batch, scene.name)
        _require_equal("prepared anew", anew, first, scene, batch)
    return "to the last bit"


def uses_the_set_up_alone(subject: Subject) -> str:
    """Equal set-ups give equal readings, whatever other set-up was prepared in between."""
    for scene, detect in subject.prepared:
        batch = _mixed(scene)
        first = read(detect, batch, scene.name)
        equal = copy.deepcopy(scene.setup)
        twin = Batch.of(batch.samples, batch.rate_hz, batch.start_s, equal)
        from_copy = read(subject.prepare(equal), twin, scene.name)
        _require_equal("with an equal copy of the set-up", from_copy, first, scene, batch)
        one = _prepare_in_turn(subject, scene)
        _require_equal(
            "with one instance prepared for several set-ups",
            read(one, batch, scene.name),
            first,
            scene,
            batch,
        )
    return f"in {len(subject.prepared)} set-ups"


def _prepare_in_turn(subject: Subject, scene: Scene) -> Detect:
    """Prepare one instance for this scene, then for every other; give the first function."""
    instance = subject.factory()
    found: Detect = instance.prepare(scene.setup, subject.settings)
    for other in SCENES:
        try:
            instance.prepare(other.setup, subject.settings)
        except NotApplicable:
            continue
    return found


def leaves_the_process_alone(subject: Subject) -> str:
    """NumPy's error state, random state, working directory, environment, warning filters."""
    with _restored():
        before = _process_state()
        for scene, detect in subject.prepared:  # what is imported on first use is imported here
            read(detect, _mixed(scene), scene.name)
        _require_untouched(before)
        warnings.resetwarnings()
        warnings.simplefilter("ignore")
        np.seterr(all="warn", under="ignore")
        before = _process_state() | _filters()
        for scene, _ in subject.prepared:
            subject.factory().prepare(scene.setup, subject.settings)(_mixed(scene))
            _require_untouched(before, _filters)
    return ", ".join(before)


@contextmanager
def _restored() -> Iterator[None]:
    """Put everything back that a detector should not have touched."""
    folder, environment = os.getcwd(), dict(os.environ)
    states = np.random.get_state(), random.getstate()  # noqa: NPY002
    try:
        with warnings.catch_warnings(), np.errstate(), np.printoptions():
            yield
    finally:
        os.chdir(folder)
        os.environ.clear()
        os.environ.update(environment)
        np.random.set_state(states[0])  # noqa: NPY002
        random.setstate(states[1])


def _process_state() -> dict[str, Any]:
    return {
        "numpy's error state": np.geterr(),
        "numpy's print options": repr(np.get_printoptions()),
        "numpy's random state": repr(np.random.get_state()),  # noqa: NPY002
        "random's state": random.getstate(),
        "working directory": os.getcwd(),
        "environment": dict(os.environ),
    }


def _filters() -> dict[str, Any]:
    return {"warning filters": list(warnings.filters)}


def _require_untouched(before: dict[str, Any], more: Callable[[], dict[str, Any]] = dict) -> None:
    now = _process_state() | more()
    changed = [name for name, value in now.items() if value != before[name]]
    if changed:
        raise Broken(f"changed for the whole process: {', '.join(changed)}")


def _require_equal(words: str, now: Readings, first: Readings, scene: Scene, batch: Batch) -> None:
    found = exact_difference(now, first)
    if found:
        raise Broken(f"{words}: {found[0]}", Case(scene.name, batch, found[1], "", now))


def _mixed(scene: Scene) -> Batch:
    walls = [Record(s, 0.7, 50.0, noise_seed=i, late=i % 4) for i, s in enumerate((0, 0.4, 0.8, 1))]
    return batch_of(scene, [*walls, Record(None, 0.7, 40.0), Record(0.5, 0.02, 3.0)])
