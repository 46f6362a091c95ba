"""Specs and expected echoes around a set-up that an operator has."""

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

import numpy as np
from echotrial.errors import WrongQuestion
from echotrial.hooks import Echoes
from echotrial.setup import Medium, Setup
from echotrial.strict import explain
from pydantic import ValidationError

from echotrial_corpora.draw import nominal
from echotrial_corpora.materials import MATERIALS
from echotrial_corpora.peaks import analytic
from echotrial_corpora.recorded import encoded
from echotrial_corpora.reference import bare_tip, interface_echo
from echotrial_corpora.spec import CorpusSpec, GivenSetup
from echotrial_corpora.synthesis import respond
from echotrial_corpora.truth import echoes_of

Table = dict[str, Any]
#: What a set-up does not say (common practice, no source).
ELEMENT_DIAMETER = 3e-3
DELAY_LINE = {"material": "polystyrene"}
DELAY_LENGTH = 10e-3
COUPLANT = {"material": "glycerin"}
CONTOUR = 1.04  # radius of a contoured tip over that of the tube
PLASTIC = 2500.0  # m/s
LEAST_RATE = 100e6
#: Record length: so many round trips of the thickest wall and what comes before them, within
#: these bounds.
TRIPS, LEAD_S, LEAST_SAMPLES, MOST_SAMPLES = 6, 4e-6, 1024, 16384


def spec_for(setup: Setup, variation: Mapping[str, Any]) -> CorpusSpec:
    """A spec whose records an operator of `setup` could meet.

    Parameters
    ----------
    setup
        Its nominal values become those of the spec; what it does not say is assumed.
    variation
        Tables of a spec (``{"couplant": {"gap": {"from": "1 um", "to": "20 um"}}}``; plain
        numbers are SI) that replace those made from the set-up, key by key.

    Raises
    ------
    WrongQuestion
        The spec that results is impossible; the message says why.
    """
    table = _merged(_table(setup), variation)
    try:
        spec = CorpusSpec.model_validate(table)
        return _on_the_clock(spec, table, setup)
    except ValidationError as error:
        raise WrongQuestion(explain(error, CorpusSpec, "spec around the set-up")) from None


@lru_cache(maxsize=8)
def nominal_spec(setup: Setup) -> CorpusSpec:
    """`spec_for` without variation; kept, since each wall of a range asks for it anew."""
    return spec_for(setup, {})


def echoes(setup: Setup, thickness_m: float | None = None) -> Echoes:
    """Interface echo and back-wall echoes that nominal records of `setup` would show."""
    spec = nominal_spec(setup)
    thickness = setup.wall_range[0] if thickness_m is None else thickness_m
    response = respond(spec, nominal(spec, np.array([thickness])))
    found = echoes_of(response, np.zeros(1))
    start, chain = response.params["start"][0], response.chain
    s, step, every = chain.grid.s[0], chain.grid.s[1] - chain.grid.s[0], response.every
    bare = bare_tip(spec)
    peak = analytic(bare, s, step, interface_echo(spec) - chain.start_s)
    known = ~np.isnan(found.time_s[0])
    times = found.time_s[0][known]
    at = [
        analytic(x, s, every * step, t - start) * every
        for x, t in zip(response.terms[0], times, strict=False)
    ]
    if not chain.contact:
        first = found.interface_s[0]
        at = [analytic(response.tail_spectrum[0], s, step, first - start), *at]
        times = np.array([first, *times])
    amplitude = np.array([np.copysign(abs(z / peak), (z / peak).real) for z in at])
    return Echoes(thickness, times, amplitude, float(found.tail_end_s[0]))


def _table(setup: Setup) -> Table:
    f0 = setup.centre_frequency
    rate = max(LEAST_RATE, 5 * f0)
    probe: Table = {
        "centre_frequency": f0,
        "bandwidth": setup.bandwidth_hz,
        "element_diameter": setup.element_diameter or ELEMENT_DIAMETER,
    }
    wall = _stuff(setup.wall, {"density": 7900.0}, setup.velocity) | {
        "velocity": setup.velocity,
        "thickness": {"from": setup.wall_range[0], "to": setup.wall_range[1]},
    }
    couplant: Table = _stuff(setup.couplant, COUPLANT) | {"gap": 5e-6}
    if setup.outside_diameter:
        wall["outside_diameter"] = setup.outside_diameter
        couplant["tip_radius"] = CONTOUR * setup.outside_diameter / 2
    table: Table = {
        "name": "around-a-set-up",
        "about": "Made around a set-up.",
        "rate": rate,
        "samples": _samples(setup, rate),
        "probe": probe,
        "couplant": couplant,
        "wall": wall,
        "receiver": {
            "band": [0.2 * f0, min(2 * f0, 0.45 * rate)],
            "snr": {"from": "28 dB", "to": "46 dB"},
        },
        "given": GivenSetup.of(setup),
    }
    _add_front(table, setup)
    wave = setup.reference_echo
    if wave is not None and "delay_line" in table:
        probe["echo"] = {"rate": wave.rate_hz, "samples": encoded(wave.samples)}
    return table


def _samples(setup: Setup, rate_hz: float) -> int:
    """At 100 MHz and 6,000 m/s, walls up to 2 mm get the least."""
    wanted = TRIPS * float(setup.interval_s(setup.wall_range[1])) + LEAD_S
    return int(min(max(np.ceil(wanted * rate_hz), LEAST_SAMPLES), MOST_SAMPLES))


def _add_front(table: Table, setup: Setup) -> None:
    """Mode 1 without a delay line has a wear face, everything else a delay line."""
    if setup.delay_line is None and (setup.mode == 1 or setup.interface_echo is None):
        table["face"] = {"material": "alumina", "delay": max(setup.zero_offset, 0.0)}
        return
    line = _stuff(setup.delay_line, DELAY_LINE)
    length = setup.delay_line.length if setup.delay_line else None
    velocity = line.get("velocity") or MATERIALS[line["material"]].velocity
    if setup.interface_echo is not None:
        length = velocity * setup.interface_echo / 2
    table["delay_line"] = line | {"length": length or DELAY_LENGTH}
    table["lead"] = 10 / setup.centre_frequency


def _stuff(
    medium: Medium | None, otherwise: Mapping[str, Any], velocity: float | None = None
) -> Table:
    """A spec's medium from a set-up's: its name, and density from impedance over velocity.

    `velocity` is what is known of it elsewhere; without any, that of a plastic is taken.
    """
    if medium is None:
        return dict(otherwise)
    row = MATERIALS.get(medium.material or "")
    found: Table = {} if row is None else {"material": row.name}
    velocity = velocity or medium.velocity or (row.velocity if row else PLASTIC)
    if medium.velocity or row is None:
        found["velocity"] = velocity
    if medium.impedance and (row is None or medium.impedance != row.impedance):
        found["density"] = medium.impedance / velocity
    return found


def _on_the_clock(spec: CorpusSpec, table: Table, setup: Setup) -> CorpusSpec:
    """Lengthen the delay line until the bare tip's echo peaks where the set-up says."""
    if spec.delay_line is None or setup.interface_echo is None:
        return spec
    off = setup.interface_echo - interface_echo(spec)
    length = spec.delay_line.length + off * spec.delay_line.row.velocity / 2
    return CorpusSpec.model_validate(_merged(table, {"delay_line": {"length": length}}))


def _merged(base: Mapping[str, Any], over: Mapping[str, Any]) -> Table:
    found = dict(base)
    for key, value in over.items():
        old = found.get(key)
        replaces = "from" in value or "values" in value if isinstance(value, Mapping) else True
        found[key] = _merged(old, value) if isinstance(old, Mapping) and not replaces else value
    return found
