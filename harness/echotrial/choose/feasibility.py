"""What a set-up allows before any trial: echoes, tail, modes, bound, and what is hopeless."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from echotrial.choose.job import Job
from echotrial.choose.variation import exact_spec
from echotrial.errors import WrongQuestion
from echotrial.hooks import ForwardModel, Material
from echotrial.setup import Setup

Floats = NDArray[np.float64]
#: Materials that delay lines are made of (common practice, no source).
DELAY_LINES: Final = ("polystyrene", "PMMA", "polyimide", "fused silica", "borosilicate glass")
#: An echo stands out from three standard deviations of the noise on, as in the outcomes.
STANDS_SIGMA: Final = 3.0
#: A film of couplant on a lifted tip.
WET_FILM_M: Final = 50e-6
BOUND_WALLS: Final = 5
#: Walls below a twentieth of a wavelength turn the echo's phase by a few degrees for a tenth of
#: their thickness, less than the couplant does (common practice, no source).
LEAST_WAVELENGTHS: Final = 0.05
#: As good as free of noise: 90 dB.
CLEAN_NP: Final = 10.36


@dataclass(frozen=True)
class Pair:
    """A delay line on this wall, without couplant: pressure reflection and transmission.

    `interface` is relative to the bare tip's echo, so + means Z_delay > Z_wall; `back_wall` is the
    first back-wall echo of a lossless wall, 4 Z_d Z_w / (Z_d + Z_w)^2.
    """

    name: str
    impedance: float
    interface: float
    back_wall: float


@dataclass(frozen=True)
class Wall:
    """Expected echoes of one wall, without noise.

    Attributes
    ----------
    echo_s, amplitude
        Entry 0 is the interface echo; amplitudes are relative to the bare tip's echo, signed.
    standing
        How many back-wall echoes are above 3 sigma of the middling noise.
    sure
        How many are above twice that: a multiple has to be found, not only confirmed.
    out_of_tail
        Order of the first back-wall echo that comes after the end of the tail; 0 = none does.
    bound_m
        Cramer-Rao bound, NaN where it is not known.
    """

    thickness_m: float
    wavelengths: float
    pulse_lengths: float
    echo_s: Floats
    amplitude: Floats
    standing: int
    sure: int
    out_of_tail: int
    bound_m: float


@dataclass(frozen=True)
class ModeCase:
    """Whether a mode of ISO 16809 is plausible, and why."""

    mode: int
    plausible: bool
    why: str


@dataclass(frozen=True)
class Feasibility:
    """Everything that `setup show` tells."""

    job: Job
    walls: tuple[Wall, ...]
    tail_end_s: float
    noise: float
    first_from_m: float
    pairs: tuple[Pair, ...]
    modes: tuple[ModeCase, ...]
    repeat_s: float
    film_s: float
    hopeless: tuple[str, ...]
    time_s: Floats
    samples: Floats


def pulse_length_s(setup: Setup) -> float:
    """Length of a Gaussian pulse between the -20 dB points of its envelope.

    With -6 dB (half) bandwidth B the envelope is exp(-(pi B t)^2 / (4 ln 2)), which falls to 0.1
    at t = 2 sqrt(ln 2 ln 10) / (pi B); twice that is 1.608 / B.
    """
    return float(4 * np.sqrt(np.log(2) * np.log(10)) / (np.pi * setup.bandwidth_hz))


def pair(name: str, delay: float, wall: float) -> Pair:
    """Reflection and transmission of two impedances (Kinsler et al., chapter 6)."""
    r = (delay - wall) / (delay + wall)
    return Pair(name, delay, r, 1 - r * r)


def feasibility(model: ForwardModel, job: Job) -> Feasibility:
    """Work out what the set-up allows, from the forward model's expected echoes and bound."""
    setup = job.setup
    thickness = np.geomspace(*setup.wall_range, BOUND_WALLS)
    found = [model.echoes(setup, float(d)) for d in thickness]
    bound = model.bound(setup, thickness)
    noise = float(np.abs(found[0].amplitude).max() * np.exp(-np.mean(job.uncertain.noise)))
    middle = float(thickness[len(thickness) // 2])
    time, samples, _ = _expected(model, job, middle, CLEAN_NP)
    tail_end = _expected(model, job, middle, float(np.mean(job.uncertain.noise)))[2]
    walls = tuple(
        _wall(setup, e.thickness_m, e.time_s, e.amplitude, noise, tail_end, b)
        for e, b in zip(found, bound, strict=True)
    )
    start = _origin_s(setup, walls[0])
    first_from = setup.velocity * max(tail_end - start, 0.0) / 2
    pairs = _pairs(setup, model.materials())
    modes = _modes(setup, walls, noise, first_from, job)
    return Feasibility(
        job, walls, tail_end, noise, first_from, pairs, modes, _repeat_s(setup, model.materials()),
        _film_s(setup, model.materials()), _hopeless(setup, walls, modes, job), time, samples,
    )  # fmt: skip


def refuse_impossible(job: Job) -> None:
    """Refuse walls that are thinner than anything a pulse could tell, whatever reads it.

    Raises
    ------
    WrongQuestion
        The thickest wall is below `LEAST_WAVELENGTHS`, or not thicker than the tolerance.
    """
    setup, thick = job.setup, job.setup.wall_range[1]
    share = thick / setup.wavelength_m
    if share < LEAST_WAVELENGTHS:
        wanted = 0.25 / share * setup.centre_frequency
        raise WrongQuestion(
            f"wall_range ends at {job.length(thick)}, {share:.2g} wavelengths at "
            f"{setup.centre_frequency / 1e6:g} MHz; below {LEAST_WAVELENGTHS:g} no detector tells "
            f"a wall from none: {wanted / 1e6:.3g} MHz would make it a quarter"
        )
    tolerance = float(setup.tolerance.of([thick])[0])
    if tolerance >= thick / 2:
        raise WrongQuestion(
            f"wall_range ends at {job.length(thick)}, and the tolerance there is "
            f"{job.length(tolerance)}: half the wall or more would count as a hit; state a "
            "tolerance that fits the walls"
        )


def _origin_s(setup: Setup, wall: Wall) -> float:
    """Where back-wall echoes count from: the interface echo, else the zero offset."""
    return float(wall.echo_s[0]) if setup.delay_line is not None else setup.zero_offset


def _wall(
    setup: Setup,
    d: float,
    echo_s: Floats,
    amplitude: Floats,
    noise: float,
    tail: float,
    bound: float,
) -> Wall:
    first = 1 if setup.delay_line is not None else 0
    echoes = np.abs(amplitude[first:])
    standing, sure = (_leading(echoes >= k * STANDS_SIGMA * noise) for k in (1, 2))
    late = np.flatnonzero(echo_s[first:] > tail)
    return Wall(
        d,
        d / setup.wavelength_m,
        float(setup.interval_s(d)) / pulse_length_s(setup),
        echo_s,
        amplitude,
        standing,
        sure,
        int(late[0]) + 1 if late.size else 0,
        float(bound),
    )


def _leading(stands: NDArray[np.bool_]) -> int:
    """How many there are before the first that does not."""
    return int(np.argmin(stands)) if not stands.all() else int(stands.size)


def _pairs(setup: Setup, materials: Mapping[str, Material]) -> tuple[Pair, ...]:
    """The set-up's own delay line first, the others by the strength of their interface echo."""
    wall, line = setup.wall, setup.delay_line
    if wall is None or wall.impedance is None:
        return ()
    others = [
        pair(n, materials[n].impedance, wall.impedance)
        for n in DELAY_LINES
        if n in materials and (line is None or n != line.material)
    ]
    others.sort(key=lambda p: -abs(p.interface))
    if line is None or line.impedance is None:
        return tuple(others)
    return (pair(line.material or "delay line", line.impedance, wall.impedance), *others)


def _modes(
    setup: Setup, walls: tuple[Wall, ...], noise: float, first_from: float, job: Job
) -> tuple[ModeCase, ...]:
    low = setup.wall_range[0]
    clear = first_from <= low
    where = f"the first back-wall echo leaves the tail at {job.length(first_from)}"
    if setup.delay_line is None:
        one = ModeCase(1, clear, f"no delay line; {where}")
        two = ModeCase(2, False, "no delay line, so no interface echo")
    else:
        interface = abs(float(walls[0].amplitude[0])) / noise
        strong = interface >= STANDS_SIGMA
        one = ModeCase(1, False, "the delay line keeps the transmission pulse out of the records")
        words = f"interface echo {20 * np.log10(interface):.0f} dB above the noise's rms; {where}"
        two = ModeCase(2, bool(strong and clear), words)
    return one, two, _third(walls)


def _third(walls: tuple[Wall, ...]) -> ModeCase:
    """Two neighbouring back-wall echoes have to stand, after the tail, at both ends."""
    usable = [w.sure - w.out_of_tail + 1 if w.out_of_tail else 0 for w in walls]
    worst = walls[int(np.argmin(usable))]
    words = (
        f"{max(min(usable), 0)} back-wall echoes stand well out of tail and noise on the worst "
        f"wall ({worst.wavelengths:.2g} wavelengths), 2 wanted"
    )
    return ModeCase(3, min(usable) >= 2, words)


def _repeat_s(setup: Setup, materials: Mapping[str, Material]) -> float:
    """After the interface echo, when the delay line's own second echo comes; NaN = not known."""
    line = setup.delay_line
    if line is None:
        return float("nan")
    if setup.interface_echo is not None:
        return setup.interface_echo
    row = materials.get(line.material or "")
    velocity = line.velocity or (row.velocity if row else None)
    return 2 * line.length / velocity if line.length and velocity else float("nan")


def _film_s(setup: Setup, materials: Mapping[str, Material]) -> float:
    """Spacing of the echoes in a film of couplant on a lifted tip."""
    row = materials.get((setup.couplant and setup.couplant.material) or "glycerin")
    velocity = (setup.couplant and setup.couplant.velocity) or (row.velocity if row else 1500.0)
    return 2 * WET_FILM_M / velocity


def _hopeless(
    setup: Setup, walls: tuple[Wall, ...], modes: tuple[ModeCase, ...], job: Job
) -> tuple[str, ...]:
    found = []
    tolerance = setup.tolerance.of([w.thickness_m for w in walls])
    noisy = [(w, t) for w, t in zip(walls, tolerance, strict=True) if 2 * w.bound_m > t]
    if noisy:
        at, allowed, wanted = (
            _from_to([job.length(w.thickness_m) for w, _ in noisy]),
            _from_to([f"{2e6 * w.bound_m:.3g}" for w, _ in noisy]),
            _from_to([f"{1e6 * t:.3g}" for _, t in noisy]),
        )
        found.append(
            f"{at}: the noise alone allows {allowed} um (two standard deviations), the tolerance "
            f"is {wanted} um"
        )
    spread, relative = setup.velocity_uncertainty / setup.velocity, setup.tolerance.relative
    thick = walls[-1]
    if 2 * spread * thick.thickness_m > tolerance[-1]:
        found.append(
            f"velocity known within {2 * spread:.2g} (two standard deviations, relative) cannot "
            f"keep {relative:.2g} at {job.length(thick.thickness_m)}: calibrate on samples first"
        )
    thin = walls[0]
    if thin.wavelengths < 0.25:
        found.append(
            f"{job.length(thin.thickness_m)} is {thin.wavelengths:.2g} wavelengths: its echoes "
            "follow each other within half a period and cannot be told apart"
        )
    if not thin.standing:
        found.append(
            f"{job.length(thin.thickness_m)}: the first back-wall echo drowns in the noise"
        )
    if not any(m.plausible for m in modes):
        found.append("no mode of ISO 16809 is plausible over the whole range")
    return tuple(found)


def _from_to(words: list[str]) -> str:
    return words[0] if words[0] == words[-1] else f"{words[0]} to {words[-1]}"


def _expected(
    model: ForwardModel, job: Job, thickness_m: float, noise_np: float
) -> tuple[Floats, Floats, float]:
    """Time and samples of a nominal A-scan, full scale 1, and the end of its tail."""
    spec = exact_spec(model, job, thickness_m, noise_np)
    made = model.records(spec, "prove", 0, 0, 1)
    samples = made.samples[0].astype(np.float64) / 32767
    start = float(np.asarray(made.known_columns["start_us"])[0]) * 1e-6
    tail_end = float(np.asarray(made.truth_columns["tail_end_us"])[0]) * 1e-6
    return start + np.arange(samples.size) / spec.rate_hz, samples, tail_end
