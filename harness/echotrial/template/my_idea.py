"""my-idea: the spacing of two envelope peaks. Replace this by the idea you have."""

from typing import Any

import numpy as np
from echotrial.ascan import Batch, Readings, Reason
from echotrial.detector import Detect, Maps, Settings, setting
from echotrial.errors import NotApplicable
from echotrial.hooks import hookimpl
from echotrial.setup import Setup
from numpy.typing import NDArray


class MyIdeaSettings(Settings):
    """What may be tuned: a default, bounds, and the values that are worth trying."""

    noise_factor: float = setting(
        7.0,
        "an echo stands this much above the median envelope",
        ge=6.0,
        le=50.0,
        candidates=(6, 7, 10),
    )
    echo_level: float = setting(
        0.05, "an echo is at least this share of the highest one", ge=0.01, le=0.5
    )


class MyIdea:
    """Two highest envelope peaks a wall apart: the first behind the gate, then its multiple."""

    name = "my-idea"
    version = "0.1.0"
    Settings = MyIdeaSettings
    invariances = frozenset({"gain", "shift", "polarity"})

    def prepare(self, setup: Setup, settings: Any, *, maps: Maps | None = None) -> Detect:
        """Settle what depends on the set-up alone; the host calls this once."""
        if setup.mode in (1, 2):
            raise NotApplicable(f"measures between back-wall echoes, and not in mode {setup.mode}")
        thin_s, thick_s = setup.interval_s(setup.wall_range)
        # Without an interface echo the clock starts where the sound enters the wall.
        gate_s = (setup.interface_echo or 0.0) + 0.9 * thin_s

        def detect(batch: Batch) -> Readings:
            readings = Readings.silent(len(batch), Reason.NO_ECHO)
            for row, start_s in enumerate(batch.start_s):
                envelope = np.abs(batch.analytic[row])
                if not np.isfinite(batch.samples[row]).all():
                    readings.reason[row] = Reason.BAD_SAMPLES
                    continue
                level = _level(envelope, settings)
                at_s = start_s + np.arange(envelope.size) / batch.rate_hz
                first = _highest(envelope, (at_s >= gate_s) & (at_s <= gate_s + thick_s), level)
                if first is None:
                    continue
                since_s = at_s - at_s[first]
                second = _highest(
                    envelope, (since_s >= 0.9 * thin_s) & (since_s <= 1.1 * thick_s), level
                )
                if second is None:
                    readings.reason[row] = Reason.NO_SECOND_ECHO
                    continue
                marks = [start_s + _summit(envelope, i) / batch.rate_hz for i in (first, second)]
                readings.first_echo_s[row], readings.second_echo_s[row] = marks
                readings.thickness_m[row] = setup.thickness_m(marks[1] - marks[0], mode=3)
                readings.confidence[row] = 1 - level / max(envelope[second], level)
                readings.spans[row] = 1
                readings.reason[row] = Reason.READ
            return readings

        return detect


def _level(envelope: NDArray[np.float32], settings: MyIdeaSettings) -> float:
    """Height above which a peak counts as an echo."""
    noise = settings.noise_factor * float(np.median(envelope))
    return max(noise, settings.echo_level * float(envelope.max()))


def _highest(envelope: NDArray[np.float32], inside: NDArray[np.bool_], level: float) -> int | None:
    """Index of the highest local maximum in a gate, or None where none stands above `level`."""
    middle = envelope[1:-1]
    peak = (middle > envelope[:-2]) & (middle >= envelope[2:]) & inside[1:-1] & (middle > level)
    if not peak.any():
        return None
    return int(np.argmax(np.where(peak, middle, 0))) + 1


def _summit(envelope: NDArray[np.float32], index: int) -> float:
    """Place of a maximum between samples: the vertex of the parabola through three of them."""
    left, middle, right = (float(v) for v in envelope[index - 1 : index + 2])
    return index + 0.5 * (left - right) / (left - 2 * middle + right)


@hookimpl
def detectors() -> list[type]:
    """What this plugin brings."""
    return [MyIdea]
