"""Further truth columns: the value of each effect that a spec varies, for strata."""

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from echotrial_corpora.spec import CorpusSpec

#: column -> (field of the parameters, factor from SI)
_FROM_SI = {
    "taper_mrad": ("taper", 1e3),
    "roughness_um": ("roughness", 1e6),
    "attenuation_np_per_m": ("attenuation", 1.0),
    "lamination_depth_mm": ("lamination_depth", 1e3),
    "lamination_reflection": ("lamination", 1.0),
    "tilt_mrad": ("tilt", 1e3),
    "outside_diameter_mm": ("outside_diameter", 1e3),
    "gap_curvature_per_m": ("curvature", 1.0),
    "backing_layer_um": ("layer", 1e6),
    "centre_frequency_mhz": ("centre", 1e-6),
    "phase_rad": ("phase", 1.0),
    "temperature_change_k": ("temperature_change", 1.0),
    "screen_height": ("height", 1.0),
    "left_by_dry_film": ("through", 1.0),
    "grain_level": ("grain", 1.0),
    "hum_level": ("hum", 1.0),
    "burst_level": ("burst", 1.0),
    "excitation_level": ("excitation", 1.0),
}


def strata(spec: "CorpusSpec", params: np.ndarray, gain: NDArray[np.float64]) -> dict[str, Any]:
    """Columns of what differs between records, of a fixed set for each spec."""
    found: dict[str, Any] = {"outside_range": params["outside"] > 0}
    for name, (field, factor) in _FROM_SI.items():
        if _varies(spec, field):
            found[name] = params[field] * factor
    found["gain_db"] = 20 * np.log10(gain)
    return found


def _varies(spec: "CorpusSpec", field: str) -> bool:
    wall, receiver, probe, line = spec.wall, spec.receiver, spec.probe, spec.delay_line
    by_field = {
        "taper": wall.taper,
        "roughness": wall.roughness,
        "attenuation": wall.attenuation_spread,
        "tilt": spec.couplant.tilt,
        "outside_diameter": wall.outside_diameter,
        "layer": spec.backing.layer_thickness,
        "centre": probe.centre_frequency,
        "phase": probe.phase,
        "height": receiver.screen_height,
    }
    if field in by_field:
        varied = by_field[field]
        return varied is not None and not varied.is_plain
    present = {
        "lamination": wall.lamination,
        "lamination_depth": wall.lamination,
        "curvature": wall.outside_diameter,
        "grain": wall.grain,
        "hum": receiver.hum,
        "burst": receiver.bursts,
        "excitation": spec.excitation,
        "through": line and line.dry_film,
        "temperature_change": line and not line.temperature_change.is_plain,
    }
    return bool(present[field])
