"""A plain spec for tests: flat steel on polystyrene without loss, noise-free but for 100 dB."""

from echotrial_corpora.spec import CorpusSpec


def plain(**changes):
    """The spec with tables merged over it, one level deep; None takes a table out."""
    tables = {
        "name": "plain",
        "about": "For tests.",
        "rate": 100e6,
        "samples": 1024,
        "probe": {
            "centre_frequency": 15e6,
            "bandwidth": 9e6 * 0.99829,  # 60 % between half-amplitude points
            "element_diameter": 6e-3,
            "diffraction": False,
        },
        "delay_line": {"velocity": 2350.0, "density": 1050.0, "attenuation": 0.0, "length": 10e-3},
        "couplant": {
            "velocity": 1920.0,
            "density": 1260.0,
            "attenuation": 0.0,
            "gap": 0.0,
            "strips": 1,
        },
        "wall": {
            "velocity": 5900.0,
            "density": 7850.0,
            "attenuation": 0.0,
            "thickness": {"from": 0.3e-3, "to": 3e-3},
            "outside": 0.0,
        },
        "receiver": {"band": [1e3, 4e9], "snr": "100 dB", "bits": 16},
        "shares": {"dry": 0.0, "wet_tip": 0.0},
    }
    for name, change in changes.items():
        if isinstance(change, dict) and isinstance(tables.get(name), dict):
            tables[name] = tables[name] | change
        elif change is None:
            tables.pop(name, None)
        else:
            tables[name] = change
    return CorpusSpec.model_validate(tables)
