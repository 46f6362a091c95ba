"""The contract that every detector keeps, and what this one is for."""

import numpy as np
import pytest
from echotrial.testing import CHECKS, SCENES, Record, batch_of
from my_idea import MyIdea


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.name)
def test_it_keeps_the_contract(check):
    """Every clause of the contract, one test each."""
    check(MyIdea).require()


def test_it_reads_a_clear_wall_within_one_percent():
    """The thinnest walls are for `echotrial run`; this one says what the idea can do at all."""
    scene = SCENES[0]
    detect = MyIdea().prepare(scene.setup, MyIdea.Settings())
    shares = np.linspace(0.2, 0.9, 20)
    readings = detect(batch_of(scene, [Record(share, snr_db=60.0) for share in shares]))
    walls = np.array([scene.wall_m(share) for share in shares])
    assert np.abs(readings.thickness_m - walls).max() < 0.01 * walls.min()
