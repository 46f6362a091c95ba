"""A detector that combines others is handed what they have read, and changes nothing of it."""

from pathlib import Path

import numpy as np
import pytest
from echotrial import host
from echotrial.ascan import Known, Readings
from echotrial.engine import read_corpus

from tests.engine_stand_in import stand_in

FILE = Path(__file__).with_name("combining_detectors.py")


def read(*names, corpus=None, **options):
    detectors = host.load([FILE], use_entry_points=False).chosen(names)
    return read_corpus(corpus or stand_in(300), detectors, **options)


def confidence(result, name="combiner"):
    mine = result.readings[result.readings["detector"] == name]
    return set(mine["confidence"])


@pytest.mark.parametrize("workers", [0, 1])
def test_what_was_read_is_handed_over_and_its_time_is_charged(workers):
    result = read("member", "combiner", workers=workers)
    assert confidence(result) == {0.75}
    walls = result.readings.pivot(index="record", columns="detector", values="thickness_mm")
    assert (walls["combiner"] == walls["member"]).all()
    each = result.seconds_per_record
    assert each["combiner"] > each["member"] > 0.005 / 300


def test_nobody_is_handed_what_was_not_read_before():
    assert confidence(read("combiner")) == {0.25}
    assert confidence(read("combiner", "member")) == {0.25}


def test_other_settings_are_another_detector():
    assert confidence(read("member", "combiner", settings={"member": {"scale": 2.0}})) == {0.25}
    assert confidence(read("member", "combiner", settings={"member": {"scale": 1.0}})) == {0.75}


def test_with_maps_a_detector_may_read_otherwise():
    assert confidence(read("member", "combiner", maps={"other": np.sqrt})) == {0.25}


def test_a_reading_that_cannot_be_is_not_handed_over():
    result = read("member", "combiner", corpus=stand_in(300, poisoned=[7]), chunk=300)
    assert confidence(result) == {0.25}
    assert (result.readings["status"] != "ok").sum() == 1


def test_nobody_writes_to_what_another_has_read():
    """It raises at the attempt; asked again, part by part, it is handed nothing and reads."""
    alone = read("member").readings["thickness_mm"].to_numpy()
    result = read("member", "scribbler")
    by = dict(iter(result.readings.groupby("detector")))
    assert (by["member"]["thickness_mm"].to_numpy() == alone).all()
    assert confidence(result, "scribbler") == {0.25}


def test_only_what_was_asked_for_is_lent():
    known, found = Known(), Readings(np.array([1e-3]))
    known.add(str, "settings", found, 2.0)
    assert known.of(int, "settings") is None
    assert known.of(str, "other") is None
    assert known.lent_s == 0.0
    assert known.of(str, "settings") is found
    assert known.lent_s == 2.0
