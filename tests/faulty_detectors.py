"""Detectors that each misbehave in one way, and only on a batch that holds a poisoned record.

A record is poisoned when its first sample is above 0.9. On all others the reading is 1 mm times
the second sample, so that every record's answer is its own.
"""

import ctypes
import os
import random
import sys
import time

import numpy as np
from echotrial.ascan import Readings
from echotrial.detector import Settings as SettingsBase
from echotrial.errors import NotApplicable

_hoard: list[object] = []


def _poisoned(batch):
    return batch.samples[:, 0] > 0.9


def _answer(batch):
    return batch.samples[:, 1].astype(np.float64) * 1e-3


def honest(batch):
    return _answer(batch)


def honest_twin(batch):
    return _answer(batch)


def slow(batch):
    time.sleep(0.02)
    return _answer(batch)


def raises(batch):
    if _poisoned(batch).any():
        raise RuntimeError("I do not like this record")
    return _answer(batch)


def exits(batch):
    if _poisoned(batch).any():
        sys.exit(3)
    return _answer(batch)


def interrupts(batch):
    if _poisoned(batch).any():
        raise KeyboardInterrupt
    return _answer(batch)


def hangs(batch):
    while _poisoned(batch).any():
        pass
    return _answer(batch)


def sleeps(batch):
    if _poisoned(batch).any():
        time.sleep(3600)
    return _answer(batch)


def os_exits(batch):
    if _poisoned(batch).any():
        os._exit(0)
    return _answer(batch)


def dislikes_practice(batch):
    if (np.abs(batch.samples[:, 0]) < 5e-3).all():  # the invented A-scans of the warm-up
        os._exit(1)
    return _answer(batch)


def segfaults(batch):
    if _poisoned(batch).any():
        ctypes.string_at(0)
    return _answer(batch)


def eats_memory(batch):
    while _poisoned(batch).any():
        _hoard.append(np.empty(1 << 24))  # not touched: quick on a busy machine too
    return _answer(batch)


def leaks_memory(batch):
    _hoard.append(np.ones(1 << 23))  # 64 MiB a call, never given back
    return _answer(batch)


def floods(batch):
    if _poisoned(batch).any():
        for stream in (1, 2):
            for _ in range(64):
                os.write(stream, b"x" * (1 << 16))
        print("y" * (1 << 22))
    return _answer(batch)


def meddles(batch):
    if _poisoned(batch).any():
        np.seterr(all="raise")
        np.random.seed(1)  # noqa: NPY002
        random.seed(1)
        os.chdir("/")
    return _answer(batch)


def draws(batch):
    """Depends on the global generators: the same every time, whoever else meddled."""
    return np.full(len(batch), 1e-3 * (1 + random.random() + np.random.random()))  # noqa: NPY002


def writes_to_input(batch):
    if _poisoned(batch).any():
        batch.samples[:] = 0
    return _answer(batch)


def unlocks_input(batch):
    if _poisoned(batch).any():
        batch.samples.flags.writeable = True
        batch.samples[:] = 0
    return _answer(batch)


def writes_past_the_lock(batch):
    answer = _answer(batch)
    if _poisoned(batch).any():
        ctypes.memset(batch.samples.ctypes.data, 0, batch.samples.nbytes)
    return answer


def wrong_shape(batch):
    return _answer(batch)[~_poisoned(batch)]


def two_dimensional(batch):
    answer = Readings(_answer(batch))
    if _poisoned(batch).any():
        answer.confidence = np.zeros((len(batch), 2))
    return answer


def infinite(batch):
    return np.where(_poisoned(batch), np.inf, _answer(batch))


def negative(batch):
    return np.where(_poisoned(batch), -1e-3, _answer(batch))


def overconfident(batch):
    return Readings(_answer(batch), confidence=np.where(_poisoned(batch), 1.5, 0.5))


def returns_text(batch):
    return np.array(["thick"]) if _poisoned(batch).any() else _answer(batch)


class _Prepared:
    version = "1"
    invariances = frozenset()

    class Settings(SettingsBase):
        level: float = 0.5

    def prepare(self, setup, settings, *, maps=None):
        raise NotImplementedError


class NotForThis(_Prepared):
    name = "not-for-this"

    def prepare(self, setup, settings, *, maps=None):
        raise NotApplicable("needs a reference echo")


class PrepareRaises(_Prepared):
    name = "prepare-raises"

    def prepare(self, setup, settings, *, maps=None):
        raise ValueError("no idea")


class PrepareExits(_Prepared):
    name = "prepare-exits"

    def prepare(self, setup, settings, *, maps=None):
        os._exit(7)


class PrepareHangs(_Prepared):
    name = "prepare-hangs"

    def prepare(self, setup, settings, *, maps=None):
        time.sleep(3600)


class Scaled(_Prepared):
    name = "scaled"

    def prepare(self, setup, settings, *, maps=None):
        return lambda batch: Readings(_answer(batch) * settings.level)
