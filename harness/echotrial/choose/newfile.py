"""A new set-up file: every key with what it means, written by tomlkit."""

from collections.abc import Mapping
from typing import Any, Final

import tomlkit
from tomlkit.items import Table

from echotrial.choose.job import Uncertain
from echotrial.errors import WrongQuestion, nearest
from echotrial.hooks import Material

#: Standard uncertainty of a calibrated velocity from piece to piece (common practice, no source;
#: Ledbetter, J. Appl. Phys. 51 (1980) 305 has elastic constants of stainless 304 within 1 %).
SPREAD: Final = 0.0025

#: key -> the comment above it; also the order of the file.
COMMENTS: Final[Mapping[str, str]] = {
    "centre_frequency": "Probe: centre frequency and -6 dB bandwidth (ASTM E1065), element size.",
    "bandwidth": "",
    "element_diameter": "",
    "velocity": (
        "Longitudinal velocity in the wall, and its standard uncertainty from piece to piece\n"
        "once it is calibrated (default 0.25 %: common practice, no source)."
    ),
    "velocity_uncertainty": "",
    "wall_range": "Thinnest and thickest wall; mm or in, answers come in the same unit.",
    "tolerance": "A reading is right within the larger of the two.",
    "outside_diameter": "A tube measured from outside; leave it out for a flat part.",
    "concave_diameter": "A hollow measured from inside.",
    "mode": "Mode of ISO 16809:2017, clause 4; left out, all are tried.",
    "sample_rate": "Of the instrument; left out, five times the centre frequency or more.",
    "bits": "Resolution of its digitiser; left out, 12 bits.",
    "delay_line": "Materials by name from the table, or by impedance and velocity.",
    "couplant": "",
    "wall": "",
    "uncertain": "How far one measurement differs from the next. Defaults: common practice.",
}
UNCERTAIN: Final[Mapping[str, str]] = {
    "temperature": "of the delay line, two standard deviations",
    "couplant_gap": "smallest and largest film",
    "tilt": "of the probe, two standard deviations",
    "roughness": "of the wall, at most",
    "attenuation": "of the wall, up or down at most",
    "noise": "peak of the A-scan over the noise's rms, worst and best",
    "ring": "of the probe behind its pulse, relative to it",
    "trigger": "of the records' clock, two standard deviations",
}


def named(name: str, role: str, materials: Mapping[str, Material]) -> Material:
    """A row of the table.

    Raises
    ------
    WrongQuestion
        No such material; the nearest name is given.
    """
    if name not in materials:
        raise WrongQuestion(f"{role}: no material {name!r}: {nearest(name, materials)}")
    return materials[name]


def text(values: Mapping[str, Any], materials: Mapping[str, Material]) -> str:
    """Write the file's text from its values, quantities as the user wrote them."""
    document = tomlkit.document()
    document.add(tomlkit.comment("Set-up for `echotrial setup show` and `echotrial choose`."))
    for key, about in COMMENTS.items():
        value = _uncertain() if key == "uncertain" else values.get(key)
        if value is None:
            continue
        if about:
            document.add(tomlkit.nl())
            for line in about.split("\n"):
                document.add(tomlkit.comment(line))
        if key in ("delay_line", "couplant", "wall"):
            value = _medium(value, materials)
        if key == "tolerance":
            value = tomlkit.inline_table() | value
        document.add(key, value)
    return tomlkit.dumps(document)


def _medium(value: Mapping[str, str], materials: Mapping[str, Material]) -> Table:
    table = tomlkit.table()
    for key, word in value.items():
        item = tomlkit.item(word)
        row = materials.get(word) if key == "material" else None
        if row is not None:
            item.comment(
                f"{row.velocity:g} m/s within {row.spread:.1%}, {row.density:g} kg/m^3, "
                f"{row.impedance / 1e6:.3g} MRayl; {row.source}"
            )
        table.add(key, item)
    return table


def _uncertain() -> Table:
    table = tomlkit.table()
    for key, word in Uncertain().table().items():
        item = tomlkit.item(word)
        item.comment(UNCERTAIN[key])
        table.add(key, item)
    return table
