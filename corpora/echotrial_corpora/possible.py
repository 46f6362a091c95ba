"""Refuses specs that no probe, part or digitiser could bring about, and says why."""

import math
import warnings
from typing import TYPE_CHECKING

import numpy as np

from echotrial_corpora.couplant import gaps, strips
from echotrial_corpora.probe import POLE_HALF_WIDTH

if TYPE_CHECKING:
    from echotrial_corpora.spec import CorpusSpec


def check(spec: "CorpusSpec") -> None:
    """Raise ValueError with the reason where the spec is impossible."""
    for test in (_front, _band, _window, _part, _shares, _strips):
        test(spec)


def _front(spec: "CorpusSpec") -> None:
    if (spec.delay_line is None) == (spec.face is None):
        raise ValueError("give either a delay_line (modes 2 and 3) or a face (mode 1), not both")
    if spec.face is None and spec.excitation is not None:
        raise ValueError("excitation is for a face (mode 1): a delay line keeps it out of the way")
    if spec.face is not None and spec.probe.echo is not None:
        raise ValueError("a recorded bare-tip echo belongs to a delay line")
    if spec.couplant.row.attenuation_exponent != 2:
        raise ValueError("couplant: attenuation_exponent has to be 2 (a viscous liquid)")


def _band(spec: "CorpusSpec") -> None:
    probe, receiver = spec.probe, spec.receiver
    top = probe.centre_frequency.high + probe.bandwidth.high / 2
    if spec.rate < 2 * top:
        raise ValueError(
            f"rate {spec.rate / 1e6:g} MHz is below twice the band: the pulse reaches "
            f"{top / 1e6:g} MHz at -6 dB, so sample at {2 * top / 1e6:g} MHz or more"
        )
    if probe.bandwidth.high >= 2 * probe.centre_frequency.low:
        raise ValueError("probe.bandwidth is twice the centre frequency or more: no such probe")
    most = 0.95 * POLE_HALF_WIDTH / (math.pi * probe.bandwidth.high)
    if probe.decay.high > most:
        raise ValueError(
            f"probe.decay {probe.decay.high * 1e9:g} ns alone makes the band narrower than the "
            f"bandwidth: {most * 1e9:.3g} ns at most"
        )
    low, high = receiver.band
    if low >= high:
        raise ValueError(f"receiver.band runs from {low:g} Hz to {high:g} Hz: lower limit first")


def _window(spec: "CorpusSpec") -> None:
    left = spec.samples / spec.rate - spec.lead - spec.receiver.start_spread.high
    slowest = spec.wall.row.velocity * (1 + spec.wall.velocity_spread.low)
    trip = 2 * spec.wall.thickness.high / slowest
    if trip >= left:
        raise ValueError(
            f"wall of {spec.wall.thickness.high * 1e3:g} mm is longer than the window: its "
            f"back-wall echo comes {trip * 1e6:.3g} us after the interface echo and the record "
            f"ends after {left * 1e6:.3g} us"
        )
    if int(left / trip) < spec.multiples:
        warnings.warn(
            f"{spec.name}: the window has room for {int(left / trip)} back-wall echoes of the "
            f"thickest wall, and {spec.multiples} are wanted",
            stacklevel=2,
        )


def _part(spec: "CorpusSpec") -> None:
    diameter = spec.wall.outside_diameter
    if diameter is not None and 2 * spec.wall.thickness.high >= diameter.low:
        raise ValueError(
            f"wall of {spec.wall.thickness.high * 1e3:g} mm is thicker than the radius of a tube "
            f"of {diameter.low * 1e3:g} mm"
        )
    if spec.wall.attenuation_spread.low < -1:
        raise ValueError("wall.attenuation_spread below -100 %: the wall would amplify")
    lamination = spec.wall.lamination
    if lamination and (lamination.depth.high >= 1 or lamination.reflection.high > 1):
        raise ValueError("a lamination lies inside the wall (depth below 1) and reflects at most 1")
    reach = spec.probe.element_diameter / 2 * abs(math.tan(spec.wall.taper.high))
    if reach >= spec.wall.thickness.low:
        raise ValueError("wall.taper: the wall would vanish under the aperture")


def _shares(spec: "CorpusSpec") -> None:
    if spec.shares.dry + spec.shares.wet_tip > 1:
        raise ValueError("shares: dry and wet_tip together are more than all records")
    for size, counts in spec.sizes.items():
        if set(counts) - {"tune", "prove"} or any(n < 0 for n in counts.values()):
            raise ValueError(f"sizes.{size}: counts of 'tune' and 'prove', not negative")


def _strips(spec: "CorpusSpec") -> None:
    """Between neighbouring strips the phase may not turn by more than half a period."""
    count = spec.couplant.strips
    if count == 1:
        return
    radius = spec.probe.element_diameter / 2
    places, _ = strips(count)
    tilt = max(abs(spec.couplant.tilt.low), abs(spec.couplant.tilt.high))
    offset = max(abs(spec.couplant.offset.low), abs(spec.couplant.offset.high))
    widest = max(
        float(np.abs(np.diff(gaps(0.0, c, tilt, offset, radius * places))).max())
        for c in curvatures(spec)
    )
    top = spec.probe.centre_frequency.high + spec.probe.bandwidth.high / 2
    turns = 2 * widest * top / spec.couplant.row.velocity
    if turns > 0.5:
        raise ValueError(
            f"couplant: the gap differs by {widest * 1e6:.3g} um between neighbouring strips, "
            f"{turns:.2g} periods at {top / 1e6:g} MHz and 0.5 at most: more strips, a contoured "
            f"tip (tip_radius), a smaller element_diameter or less tilt"
        )


def curvatures(spec: "CorpusSpec") -> tuple[float, float]:
    """Smallest and largest curvature of the gap, 1/m: the part's less the tip's."""
    tip = 0.0 if spec.couplant.tip_radius is None else 1 / spec.couplant.tip_radius
    diameter = spec.wall.outside_diameter
    if diameter is None:
        return -tip, -tip
    return 2 / diameter.high - tip, 2 / diameter.low - tip
