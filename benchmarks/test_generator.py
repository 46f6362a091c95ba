"""Records per second of the generator, and what each effect costs.

    pytest benchmarks/test_generator.py --benchmark-only

Every effect at once on 9 strips (the bound left out), the bound alone, and one spec for each effect
beside a bare one. One core: set OMP_NUM_THREADS=1. `generator_cost` prints them as a table.
"""

import numpy as np
import pytest
from echotrial import host
from echotrial_corpora import bound
from echotrial_corpora.records import records
from echotrial_corpora.spec import CorpusSpec, read_spec

COUNT = 512
LEAST = 5000  # records of 1024 samples a second and core, all effects on
EFFECTS = {
    "bare": {},
    "diffraction": {"probe": {"diffraction": True}},
    "ring-down": {
        "probe": {"ring": {"frequency": 16e6, "level": "-30 dB", "decay": 0.15e-6}, "decay": 1e-8}
    },
    "delay line": {
        "delay_line": {"repeat": "-8 dB", "side_wall": [{"level": "-46 dB", "delay": 1.7e-6}]}
    },
    "strips": {"couplant": {"strips": 9, "tilt": 2e-3}},
    "taper": {"wall": {"taper": 2e-3}},
    "roughness": {"wall": {"roughness": 2e-6}},
    "grain": {"wall": {"grain": {"level": "-30 dB", "correlation": 2e-5, "decay": 1e-6}}},
    "lamination": {"wall": {"lamination": {"share": 1.0, "depth": 0.4, "reflection": 0.3}}},
    "backing layer": {"backing": {"layer": {"material": "epoxy paint"}, "layer_thickness": 1e-4}},
    "interference": {
        "receiver": {
            "hum": {"level": "-30 dB", "frequency": 0.3e6},
            "baseline": {"level": "-30 dB", "decay": 3e-6},
            "bursts": {"share": 1.0, "level": "-20 dB", "frequency": 18e6, "decay": 2e-7},
        }
    },
}


def bare():
    return {
        "name": "benchmark",
        "about": "For the benchmark.",
        "probe": {
            "centre_frequency": 20e6,
            "bandwidth": 12e6,
            "element_diameter": 3e-3,
            "diffraction": False,
        },
        "delay_line": {"material": "polystyrene", "length": 10e-3},
        "couplant": {"material": "glycerin", "gap": {"from": 1e-6, "to": 1.2e-5}, "strips": 1},
        "wall": {
            "material": "stainless 316",
            "thickness": {"from": 43e-6, "to": 1.435e-3, "distribution": "log-uniform"},
        },
        "receiver": {"band": [4e6, 40e6], "snr": {"from": "28 dB", "to": "46 dB"}},
    }


def with_effects(*names):
    tables = bare()
    for name in names:
        for table, change in EFFECTS[name].items():
            tables[table] = {**tables.get(table, {}), **change}
    return CorpusSpec.model_validate(tables)


def no_bound(spec, params, gains, sigma):
    return np.full(params.size, np.nan)


@pytest.fixture(autouse=True)
def without_bound(monkeypatch):
    """Every so many-th record has a bound, which takes longer than the record: reported apart."""
    monkeypatch.setattr("echotrial_corpora.records.sampled_bound_m", no_bound)


def make(spec):
    return records(spec, "prove", 0, 0, COUNT)


@pytest.mark.parametrize("effect", EFFECTS)
def test_cost_of_one_effect(benchmark, effect):
    spec = with_effects(effect)
    make(spec)
    benchmark(make, spec)
    benchmark.extra_info["us_per_record"] = 1e6 * benchmark.stats["min"] / COUNT


def test_every_effect_on_nine_strips(benchmark):
    spec = with_effects(*EFFECTS)
    make(spec)
    benchmark(make, spec)
    benchmark.extra_info["records_per_second"] = COUNT / benchmark.stats["min"]


def test_default_corpus(benchmark):
    spec = read_spec(host.load(allow=["corpora"]).corpora["stainless-tube-20mhz"].path)
    make(spec)
    benchmark(make, spec)
    benchmark.extra_info["records_per_second"] = COUNT / benchmark.stats["min"]


def test_bound(benchmark):
    from echotrial_corpora.draw import draw

    spec = with_effects(*EFFECTS)
    params = draw(spec, ("benchmark",), 64)
    gains, sigma = np.ones(64), np.full(64, 0.01)
    bound.bound_m(spec, params, gains, sigma)
    benchmark(bound.bound_m, spec, params, gains, sigma)
    benchmark.extra_info["us_per_record"] = 1e6 * benchmark.stats["min"] / 64
