"""Tail subtraction: the reference echo, scaled and shifted, is taken off; then another detector.

The interface echo and its tail have the shape of the reference echo (up to couplant and wall); what
is left after subtracting it are the back-wall echoes. A scaled copy of the pulse stays where the
interface echo was, a mark for the detector that runs next.
"""

from collections.abc import Callable
from functools import partial
from typing import Any, ClassVar, Literal

import numpy as np
import scipy
from echotrial.ascan import Batch, Readings
from echotrial.detector import Detect, Invariance, Maps, Settings, setting
from echotrial.errors import NotApplicable
from echotrial.setup import Setup

from echotrial_detectors.gate import interface_reach_s
from echotrial_detectors.interface import find_interface
from echotrial_detectors.plan import EchoSettings, Plan, plan
from echotrial_detectors.pulse import frequencies, pulse_spectrum
from echotrial_detectors.sparse import heights

Then = Literal["threshold", "correlation", "envelope"]


class TailSubtractionSettings(Settings):
    """Settings of `TailSubtraction`; the detector that follows keeps its own defaults."""

    then: Then = setting(
        "correlation", "detector that reads what is left", candidates=("correlation", "envelope")
    )
    mode: Literal["setup", 1, 2, 3] = setting(
        "setup", "mode in which it reads", candidates=("setup", 2, 3)
    )
    lead: float = setting(
        0.3, "share of the interface echo that is left standing as a mark",
        ge=0.05, le=1.0, candidates=(0.15, 0.3, 0.5),
    )  # fmt: skip


class TailSubtraction:
    """Takes the interface echo's tail off and lets another detector read the rest."""

    name: ClassVar[str] = "tail-subtraction"
    version: ClassVar[str] = "3"
    Settings: ClassVar[type[TailSubtractionSettings]] = TailSubtractionSettings
    invariances: ClassVar[frozenset[Invariance]] = frozenset({"gain", "shift"})

    def prepare(
        self, setup: Setup, settings: TailSubtractionSettings, *, maps: Maps | None = None
    ) -> Detect:
        """Prepare the detector that follows.

        Raises
        ------
        NotApplicable
            Without reference echo or interface echo there is no tail to subtract.
        """
        if setup.reference_echo is None or setup.interface_echo is None:
            raise NotApplicable("it subtracts the reference echo at the interface echo's time")
        following = _FOLLOWING[settings.then](settings.lead)
        read = following.prepare(setup, following.Settings(mode=settings.mode))
        return partial(_detect, plan(setup, EchoSettings(mode=settings.mode)), settings.lead, read)


def _following(module: str, name: str) -> Callable[[float], Any]:
    def make(lead: float) -> Any:
        from importlib import import_module  # these modules are loaded when asked for

        return getattr(import_module(f"echotrial_detectors.{module}"), name)(lead)

    return make


_FOLLOWING = {
    "threshold": _following("threshold", "Threshold"),
    "correlation": _following("correlation", "Correlation"),
    "envelope": _following("envelope", "Envelope"),
}


def _detect(planned: Plan, lead: float, read: Detect, batch: Batch) -> Readings:
    return read(subtracted(batch, planned, lead))


def subtracted(batch: Batch, planned: Plan, lead: float) -> Batch:
    """The batch without tails: a band-limited pulse of share `lead` stays at each interface echo.

    The echo's place and height come from the correlation with the pulse near its nominal time:
    least squares on one echo.
    """
    n_fft, rate = batch.n_fft, batch.rate_hz
    pulse = pulse_spectrum(planned.setup, frequencies(n_fft, rate))
    energy = scipy.fft.irfft(np.abs(pulse) ** 2, n=n_fft)[0]
    matched = scipy.fft.irfft(batch.spectrum * np.conj(pulse).astype(np.complex64), n=n_fft, axis=1)
    nominal = ((planned.interface_s or 0.0) - batch.start_s) * rate
    reach = interface_reach_s(planned) * rate
    place = find_interface(matched, nominal, reach, planned.interface_sign)
    height = heights(matched, place) / energy
    turn = np.exp(-2j * np.pi / n_fft * np.outer(place, np.arange(pulse.size)))
    # The mark is the pulse's zero-phase heart: short, and of the same sign and place.
    heart = lead * np.abs(pulse) * np.exp(1j * np.angle(np.sum(pulse)))
    change = (height[:, None] * turn * (heart - pulse)).astype(np.complex64)
    samples = batch.samples + scipy.fft.irfft(change, n=n_fft, axis=1)[:, : batch.samples.shape[1]]
    return Batch.of(samples, rate, batch.start_s, batch.setup)
