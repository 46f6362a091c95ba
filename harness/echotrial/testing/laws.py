"""Checks that the same echo is read the same way: batch size and order, gain, shift, polarity."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from hypothesis import strategies as st

from echotrial.ascan import Batch, Readings
from echotrial.detector import Detect
from echotrial.testing.case import Broken, Case
from echotrial.testing.sameness import ROUNDING, difference, joined
from echotrial.testing.search import batches, search
from echotrial.testing.signals import Record, Scene, batch_of
from echotrial.testing.subject import Subject, read

Change = Callable[[Batch, int], Batch]


def batch_independent(subject: Subject) -> str:
    """A record is read the same alone, in any batch and in any order."""
    for scene, detect in subject.prepared:

        def law(records: list[Record], scene: Scene = scene, detect: Detect = detect) -> None:
            batch = batch_of(scene, records)
            whole = read(detect, batch, scene.name, _told(records))
            alone = joined(
                [read(detect, batch.take(slice(i, i + 1)), scene.name) for i in range(len(batch))]
            )
            _require_same("alone", alone, whole, scene, batch, _told(records))
            backwards = np.arange(len(batch))[::-1]
            turned = read(detect, batch.take(backwards), scene.name, _told(records))
            _require_same(
                "in reverse order", _rows(turned, backwards), whole, scene, batch, _told(records)
            )

        search(law, batches(least=2))
        _require_chunks_agree(scene, detect)
    return f"agrees within {ROUNDING.words}"


def _require_chunks_agree(scene: Scene, detect: Detect) -> None:
    shares = np.linspace(0, 1, 150).tolist()
    records = [Record(s, 0.8, 50.0, noise_seed=i, late=i % 5) for i, s in enumerate(shares)]
    batch = batch_of(scene, records)
    whole = read(detect, batch, scene.name)
    cuts = [slice(i, i + 32) for i in range(0, len(batch), 32)]
    parts = joined([read(detect, batch.take(cut), scene.name) for cut in cuts])
    _require_same("in parts of 32", parts, whole, scene, batch, "walls from thin to thick")


def gain_invariant(subject: Subject) -> str:
    """Half the gain, or less, changes no reading (if the detector says so)."""
    # Powers of two, so that float32 rounding cannot blur the verdict.
    return _unchanged(subject, "gain", "at 1/2^k of the gain, k", _weaker, (1, 8))


def shift_invariant(subject: Subject) -> str:
    """Records that start later, on the same clock, are read the same (if it says so)."""
    # Noise leaves the record at one end and enters at the other: keep it far below the echoes.
    return _unchanged(subject, "shift", "started later by samples", _started_later, (-32, 32), 30.0)


def polarity_invariant(subject: Subject) -> str:
    """Records upside down are read the same (if the detector says so)."""
    return _unchanged(subject, "polarity", "upside down", _upside_down, (1, 1))


def _unchanged(
    subject: Subject,
    invariance: str,
    words: str,
    change: Change,
    span: tuple[int, int],
    quieter_db: float = 0.0,
) -> str:
    for scene, detect in subject.prepared:

        def law(
            records: list[Record], by: int, scene: Scene = scene, detect: Detect = detect
        ) -> None:
            records = [replace(r, snr_db=r.snr_db + quieter_db) for r in records]
            batch = batch_of(scene, records)
            before = read(detect, batch, scene.name, _told(records))
            changed = change(batch, by)
            after = read(detect, changed, scene.name, _told(records))
            _require_same(f"{words} {by}", after, before, scene, changed, _told(records))

        search(law, batches(), st.integers(*span))
    return f"{invariance}: agrees within {ROUNDING.words}"


def _weaker(batch: Batch, by: int) -> Batch:
    return _like(batch, batch.samples * np.float32(2.0**-by))


def _started_later(batch: Batch, by: int) -> Batch:
    # The contract's records hold no echo in their first and last samples, so rolling loses none.
    later = batch.start_s + by / batch.rate_hz
    return Batch.of(np.roll(batch.samples, -by, axis=1), batch.rate_hz, later, batch.setup)


def _upside_down(batch: Batch, by: int) -> Batch:
    return _like(batch, -batch.samples)


def _like(batch: Batch, samples: np.ndarray) -> Batch:
    return Batch.of(samples, batch.rate_hz, batch.start_s, batch.setup)


def _rows(readings: Readings, order: np.ndarray) -> Readings:
    return Readings(**{name: column[order] for name, column in vars(readings).items()})


def _require_same(
    words: str,
    now: Readings,
    before: Readings,
    scene: Scene,
    batch: Batch,
    made_of: str,
) -> None:
    found = difference(now, before)
    if found:
        what, row = found
        raise Broken(f"{words}: {what}", Case(scene.name, batch, row, made_of, now))


def _told(records: list[Record]) -> str:
    return ", ".join(str(record) for record in records[:3]) + (", ..." if len(records) > 3 else "")
