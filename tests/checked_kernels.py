"""Every shipped detector with its kernels' indices checked; run by `test_checked_kernels`.

To be started with ``NUMBA_BOUNDSCHECK=1`` and a ``NUMBA_CACHE_DIR`` of its own.
"""

import sys
from contextlib import suppress

import numba
import numpy as np
from echotrial import host
from echotrial.ascan import Batch
from echotrial.errors import NotApplicable
from echotrial.setup import Setup

#: Records of a batch: one, fewer than a portion holds, a portion and some more.
SIZES = (1, 60, 250)


@numba.njit
def one_too_far(values):
    return values[values.size]


def is_checked() -> bool:
    """Whether a kernel that reads out of its array raises."""
    try:
        one_too_far(np.zeros(3))
    except IndexError:
        return True
    return False


def batches(setup: Setup, samples: np.ndarray, rate_hz: float, start_s: np.ndarray):
    """The records in batches of several sizes, some of them faulty."""
    for size in SIZES:
        yield Batch.of(samples[:size], rate_hz, start_s[:size], setup)
    spoiled = samples[:60].copy()
    spoiled[::4] *= 30
    np.clip(spoiled, -1, 1, out=spoiled)
    spoiled[1::8], spoiled[2::8], spoiled[3::8] = 0, np.nan, 1
    yield Batch.of(spoiled, rate_hz, start_s[:60], setup)


def prepared(factory, setup: Setup):
    """The detector with its defaults, and in each mode that the set-up suits."""
    modes = ("setup", 1, 2, 3) if "mode" in factory.Settings.model_fields else (None,)
    for mode in modes:
        chosen = {} if mode is None else {"mode": mode}
        with suppress(NotApplicable):
            yield factory().prepare(setup, factory.Settings(**chosen))


def main(specs: list[str]) -> None:
    """Read records of each spec with every detector that suits it."""
    assert is_checked()
    loaded = host.load()
    for name in specs:
        spec = loaded.forward_model.read_spec(loaded.corpora[name].path)
        made = loaded.forward_model.records(spec, "prove", 3, 0, max(SIZES))
        samples = made.samples.astype(np.float32) / 32767
        start_s = made.known["start_us"].to_numpy() / 1e6
        for detector in loaded.chosen():
            read = 0
            for detect in prepared(detector.factory, spec.setup):
                for batch in batches(spec.setup, samples, spec.rate_hz, start_s):
                    found = detect(batch)
                    assert len(found) == len(batch)
                    read += int(found.answered.sum())
            print(name, detector.name, read)


if __name__ == "__main__":
    main(sys.argv[1:])
