"""From a job to the records an operator of it could meet: tables for ``spec_for``."""

import math
from typing import Any

from echotrial.choose.job import Job
from echotrial.hooks import ForwardModel, Spec

#: Ring-down beside the pulse: this share of the centre frequency, dying in so many periods
#: (common practice, no source).
RING_FREQUENCY, RING_PERIODS = 0.8, 3.0
#: Record length: back-wall echoes of the thickest wall, and what comes before the first.
ECHOES, LEAD_PERIODS = 6, 20
LEAST_RATE, LEAST_SAMPLES, MOST_SAMPLES = 100e6, 1024, 16384
#: Share of full scale at which the highest echo stands, and how well an operator sets the gain:
#: 80 % within a tenth of full scale (common practice, no source).
HEIGHT, SET_WITHIN = 0.8, 0.125
#: Mode 1: what the transmission pulse and the receiver's recovery from it leave, over the first
#: back-wall echo, and how they die away (common practice, no source).
DB = math.log(10) / 20
EXCITATION_NP, RECOVERY_NP = (-3 * DB, 6 * DB), (-30 * DB, -16 * DB)
EXCITATION_PERIODS, RECOVERY_PERIODS = (0.5, 1.25), (2.5, 10.0)
ENDS = ("from", "to")
#: What the probe's end of a delay line sends back into it (common practice, no source).
REPEAT_NP = -8 * 0.11512925464970228


def spec_around(
    model: ForwardModel, job: Job, name: str = "around-the-set-up", height: float = HEIGHT
) -> Spec:
    """A spec of records around the job: its set-up, varied by what is uncertain.

    The gain brings the highest echo to about `height` of full scale; above 1 it clips.

    Where the user gives no reference echo the records' set-up carries one of the forward model's:
    the operator is expected to record the bare tip's echo.
    """
    return model.spec_for(
        job.setup, {"name": name, **variation(job, height), **_excitation(model, job)}
    )


def exact_spec(model: ForwardModel, job: Job, thickness_m: float, noise_np: float) -> Spec:
    """A spec of nominal records of one wall, the peak `noise_np` above the noise's rms."""
    nominal = {
        "name": "expected",
        "wall": {"thickness": thickness_m, "outside": 0.0},
        "shares": {"dry": 0.0, "wet_tip": 0.0},
        "receiver": {"snr": noise_np, "screen_height": HEIGHT},
    }
    more = _sampling(job) | {"probe": _probe(job)} | _excitation(model, job)
    return model.spec_for(job.setup, nominal | more)


def variation(job: Job, height: float = HEIGHT) -> dict[str, Any]:
    """Tables of a spec (SI) for `echotrial.hooks.ForwardModel.spec_for`."""
    found: dict[str, Any] = {
        "probe": _probe(job),
        "wall": _wall(job),
        "couplant": _couplant(job),
        "receiver": _receiver(job, height),
    }
    if job.setup.delay_line is not None:
        temperature = _symmetric(job.uncertain.temperature)
        found["delay_line"] = {"temperature_change": temperature, "repeat": REPEAT_NP}
    found |= _sampling(job)
    if job.setup.reference_echo is None:
        found |= {"given": None, "operator": _operator(job)}
    return found


def _excitation(model: ForwardModel, job: Job) -> dict[str, Any]:
    """What the transmission pulse leaves in the records of a contact probe.

    Receivers clamp it, so that it stands about as high as the first back-wall echo, whatever the
    path takes from that.
    """
    setup = job.setup
    if not job.contact:
        return {}
    middle = math.sqrt(math.prod(setup.wall_range))
    echo = math.log(abs(float(model.echoes(setup, middle).amplitude[0])))
    level, recovery = ([echo + x for x in pair] for pair in (EXCITATION_NP, RECOVERY_NP))
    periods = {"decay": EXCITATION_PERIODS, "recovery_decay": RECOVERY_PERIODS}
    found: dict[str, Any] = {
        "level": dict(zip(ENDS, level, strict=True)),
        "recovery_level": dict(zip(ENDS, recovery, strict=True)),
        "frequency": {"from": 0.9 * setup.centre_frequency, "to": 1.1 * setup.centre_frequency},
    }
    for name, pair in periods.items():
        found[name] = {e: n / setup.centre_frequency for e, n in zip(ENDS, pair, strict=True)}
    return {"excitation": found}


def _sampling(job: Job) -> dict[str, Any]:
    """Records long enough for `ECHOES` back-wall echoes of the thickest wall."""
    rate = job.sample_rate or max(LEAST_RATE, 5 * job.setup.centre_frequency)
    trips = ECHOES * float(job.setup.interval_s(job.setup.wall_range[1]))
    wanted = math.ceil((trips + LEAD_PERIODS / job.setup.centre_frequency) * rate)
    return {"rate": rate, "samples": min(max(wanted, LEAST_SAMPLES), MOST_SAMPLES)}


def _probe(job: Job) -> dict[str, Any]:
    f0 = job.setup.centre_frequency
    if job.setup.reference_echo is not None:
        return {}
    ring = {
        "frequency": RING_FREQUENCY * f0,
        "level": job.uncertain.ring,
        "decay": RING_PERIODS / f0,
    }
    return {"ring": ring}


def _wall(job: Job) -> dict[str, Any]:
    setup, (low, high) = job.setup, job.setup.wall_range
    relative = setup.velocity_uncertainty / setup.velocity
    return {
        "thickness": {"from": low, "to": high, "distribution": "log-uniform"},
        "velocity_spread": _symmetric(2 * relative),
        "attenuation_spread": {"from": -job.uncertain.attenuation, "to": job.uncertain.attenuation},
        "roughness": {"from": 0.0, "to": job.uncertain.roughness},
    }


def _couplant(job: Job) -> dict[str, Any]:
    low, high = job.uncertain.couplant_gap
    found: dict[str, Any] = {
        "gap": {"from": low, "to": high, "distribution": "log-uniform"},
        "tilt": _symmetric(job.uncertain.tilt),
    }
    if job.concave_diameter is not None:  # a flat tip in a hollow: the curvature of a convex tip
        found["tip_radius"] = job.concave_diameter / 2
    return found


def _receiver(job: Job, height: float) -> dict[str, Any]:
    low, high = job.uncertain.noise
    low_height, high_height = (round(height * (1 + s * SET_WITHIN), 6) for s in (-1, 1))
    found: dict[str, Any] = {
        "snr": {"from": low, "to": high},
        "screen_height": {"from": low_height, "to": high_height},
        "jitter": _symmetric(job.uncertain.trigger),
    }
    if job.contact:
        found["gain"] = "first echo"
    return found if job.bits is None else found | {"bits": job.bits}


def _operator(job: Job) -> dict[str, Any]:
    setup = job.setup
    found: dict[str, Any] = {
        "tolerance": {
            "relative": setup.tolerance.relative,
            "absolute": setup.tolerance.absolute,
        },
        "velocity_uncertainty": setup.velocity_uncertainty / setup.velocity,
    }
    return found if setup.mode is None else found | {"mode": setup.mode}


def _symmetric(two_sigma: float) -> dict[str, Any]:
    return {"from": -two_sigma, "to": two_sigma, "distribution": "normal"}
