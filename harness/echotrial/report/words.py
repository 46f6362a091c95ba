"""Columns of the truth in words, with their units."""

from typing import Final

_UNITS: Final = {
    "_np_per_m": "Np/m",
    "_per_m": "1/m",
    "_m_s": "m/s",
    "_mrad": "mrad",
    "_mm": "mm",
    "_um": "um",
    "_us": "us",
    "_ns": "ns",
    "_db": "dB",
    "temperature_change_k": "K",
    "_wavelengths": "wavelengths",
}
_NAMES: Final = {
    "thickness_u_mm": "standard uncertainty of the thickness",
    "velocity_true_m_s": "true velocity",
    "echo_snr_db": "SNR of the first echo",
    "tail_to_echo_db": "tail over first echo",
    "snr_db": "SNR of the record",
    "bound_um": "Cramer-Rao bound",
    "temperature_change_k": "temperature change",
}


def words_of(column: str) -> tuple[str, str]:
    """Name and unit of a column of the truth; no unit where its name states none."""
    ending = next((e for e in _UNITS if column.endswith(e)), "")
    name = _NAMES.get(column) or column.removesuffix(ending).replace("_", " ")
    return name, _UNITS.get(ending, "")


def label(column: str) -> str:
    """The column as the title of an axis or of a filter."""
    return ", ".join(filter(None, words_of(column)))


def quantity(column: str, value: object) -> str:
    """A value with its unit: microseconds and millimetres to the digits that matter."""
    unit = words_of(column)[1]
    text = str(value)
    if isinstance(value, bool):
        text = "yes" if value else "no"
    elif isinstance(value, float):
        text = format(value, ".6g" if unit in ("us", "mm") else ".4g")
    return f"{text} {unit}".strip()
