"""Checks of when a detector speaks: on clear echoes, and never where there are none."""

import numpy as np

from echotrial.testing.case import Broken, Case
from echotrial.testing.signals import Record, batch_of, noise_batch
from echotrial.testing.subject import Subject, read

#: Noise records of each scene, and the share of them that may be read.
NOISE_RECORDS, NOISE_SHARE = 400, 0.01
#: Dry records of each scene.
DRY_RECORDS = 60
#: Share of clear echoes that has to be read, in the scene that suits the detector best.
CLEAR_SHARE = 0.5


def reads_clear_echoes(subject: Subject) -> str:
    """In one set-up at least, half of the clear echoes get a reading: silence is no method."""
    told, best, worst_case = [], 0.0, None
    records = [
        Record(s, 0.8, 60.0, noise_seed=i) for i, s in enumerate(np.linspace(0.2, 0.9, 40).tolist())
    ]
    for scene, detect in subject.prepared:
        batch = batch_of(scene, records)
        readings = read(detect, batch, scene.name)
        share = float(readings.answered.mean())
        best = max(best, share)
        told.append(f"{share:.0%} ({scene.name})")
        if share < 1:
            row = int(np.argmin(readings.answered))
            worst_case = Case(scene.name, batch, row, str(records[row]), readings)
    if best < CLEAR_SHARE:
        raise Broken(f"read of clear echoes: {', '.join(told)}", worst_case)
    return "read " + ", ".join(told)


def silent_on_noise(subject: Subject) -> str:
    """Noise alone, white or in the probe's band, is read on at most 1 % of records."""
    told = []
    for scene, detect in subject.prepared:
        batch = noise_batch(scene, NOISE_RECORDS)
        readings = read(detect, batch, scene.name, "noise")
        count = int(readings.answered.sum())
        told.append(count)
        if count > NOISE_SHARE * NOISE_RECORDS:
            row = int(np.argmax(readings.answered))
            raise Broken(
                f"read a wall in {count} of {NOISE_RECORDS} records of noise alone",
                Case(scene.name, batch, row, "noise", readings),
            )
    return f"read {sum(told)} of {NOISE_RECORDS * len(told)} records of noise alone"


def silent_on_dry_records(subject: Subject) -> str:
    """The echo of the uncoupled delay line (or the excitation alone) is no wall."""
    records = [
        Record(None, 0.3 + 0.1 * (i % 6), 30.0 + i % 21, noise_seed=i, late=i % 5)
        for i in range(DRY_RECORDS)
    ]
    for scene, detect in subject.prepared:
        batch = batch_of(scene, records)
        readings = read(detect, batch, scene.name, "dry")
        if readings.answered.any():
            row = int(np.argmax(readings.answered))
            wall = readings.thickness_m[row] * 1e3
            raise Broken(
                f"read {wall:.4f} mm on a dry record ({int(readings.answered.sum())} of "
                f"{DRY_RECORDS} were read)",
                Case(scene.name, batch, row, str(records[row]), readings),
            )
    return f"read none of {DRY_RECORDS * len(subject.prepared)} dry records"
