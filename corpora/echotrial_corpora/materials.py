"""The material table: published velocities, densities and attenuations, each row with its source.

Velocities are longitudinal, in bulk, at room temperature. Sources, abbreviated in the rows:

* E494: ASTM E494, table X3.1.
* CRC: CRC Handbook of Chemistry and Physics, section 14, "Speed of sound in various media".
* Attenuations are from memory throughout (Selfridge, IEEE Trans. SU-32 (1985) 381, for the
  plastics): they differ by a factor of two between makers and no source could be opened.

`spread` is the relative spread of published velocities: how far a named material may be off.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from echotrial.hooks import Material

MHZ: Final = 1e6

_ROWS: Final = (
    # name, velocity, density, attenuation in Np/m at MHz, exponent, spread, source
    ("aluminium", 6420, 2700, 1.0, 10, 2.0, 0.019, "CRC (rolled); E494 has 6300"),
    ("carbon steel", 5960, 7850, 3.0, 10, 2.0, 0.010, "CRC (mild); ISO 22232-2: 5920 +- 50"),
    ("stainless 304", 5740, 7900, 3.0, 10, 2.0, 0.010, "from memory; J. Appl. Phys. 51, 305"),
    ("stainless 316", 5740, 7990, 3.0, 10, 2.0, 0.010, "from memory, 5740 +- 60"),
    ("stainless 347", 5790, 7900, 3.0, 10, 2.0, 0.010, "CRC; E494 has 7910 and 5790"),
    ("stainless 410", 5900, 7670, 3.0, 10, 2.0, 0.010, "E494"),
    ("titanium", 6070, 4500, 4.0, 10, 2.0, 0.028, "CRC; E494 has 6240"),
    ("copper", 4760, 8930, 8.0, 10, 2.0, 0.013, "CRC (annealed); rolled 5010"),
    ("brass 70/30", 4700, 8600, 8.0, 10, 2.0, 0.073, "CRC; E494 has 4370"),
    ("nickel", 5480, 8850, 5.0, 10, 2.0, 0.098, "CRC (unmagnetised); 6040 when magnetised"),
    ("nickel-chromium 600", 5720, 8250, 5.0, 10, 2.0, 0.020, "E494"),
    ("nickel-copper 400", 5350, 8900, 5.0, 10, 2.0, 0.020, "CRC; E494's 6020 looks misprinted"),
    ("fused silica", 5968, 2200, 0.05, 10, 1.0, 0.007, "CRC; E494 has 5930"),
    ("borosilicate glass", 5640, 2320, 0.2, 10, 1.0, 0.020, "CRC"),
    ("PMMA", 2680, 1180, 147.0, 10, 1.0, 0.020, "CRC; E494 has 2670"),
    ("polystyrene", 2350, 1050, 41.0, 10, 1.0, 0.020, "CRC (velocity); density from memory"),
    ("polyethylene LD", 1950, 920, 110.0, 10, 1.0, 0.060, "CRC (velocity); from memory"),
    ("polyethylene HD", 2430, 955, 130.0, 10, 1.0, 0.020, "from memory"),
    ("nylon 6-6", 2620, 1110, 67.0, 10, 1.0, 0.050, "CRC; 2600-2770 by moisture, from memory"),
    ("PVC", 2360, 1380, 120.0, 10, 1.0, 0.030, "from memory"),
    ("PTFE", 1390, 2180, 90.0, 10, 1.0, 0.060, "from memory; transitions near 19 and 30 degC"),
    ("polyimide", 2300, 1425, 100.0, 10, 1.0, 0.100, "from memory; by grade and film direction"),
    ("epoxy paint", 2400, 1350, 200.0, 10, 1.0, 0.100, "from memory"),
    ("iron oxide scale", 4500, 5200, 50.0, 10, 1.0, 0.200, "from memory"),
    ("alumina", 10520, 3860, 0.5, 10, 2.0, 0.030, "from memory (Selfridge 1985)"),
    ("water", 1482.36, 998.207, 2.5, 10, 2.0, 0.001, "JASA 93 (1993) 1609, 20 degC"),
    ("glycerin", 1904, 1260, 280.0, 10, 2.0, 0.013, "from memory (Aldred 1972), undiluted"),
    ("mineral oil", 1440, 870, 12.0, 10, 2.0, 0.030, "from memory"),
    ("air", 343.2, 1.204, 0.0, 10, 2.0, 0.002, "from memory, 20 degC"),
)

#: name -> the row, in the units of `echotrial.hooks.Material`
MATERIALS: Final[Mapping[str, Material]] = MappingProxyType(
    {
        name: Material(name, float(c), float(rho), a, at * MHZ, y, source, spread)
        for name, c, rho, a, at, y, spread, source in _ROWS
    }
)

#: Transverse velocities, m/s, of the rows whose handbook prints a consistent one (CRC, E494).
#: Polystyrene has none: its printed triple contradicts itself.
TRANSVERSE: Final[Mapping[str, float]] = MappingProxyType(
    {
        "aluminium": 3040.0,
        "carbon steel": 3235.0,
        "stainless 347": 3100.0,
        "stainless 410": 3300.0,
        "titanium": 3125.0,
        "copper": 2325.0,
        "brass 70/30": 2110.0,
        "nickel": 2990.0,
        "nickel-chromium 600": 3020.0,
        "nickel-copper 400": 2720.0,
        "fused silica": 3764.0,
        "borosilicate glass": 3280.0,
        "PMMA": 1100.0,
        "polyethylene LD": 540.0,
        "nylon 6-6": 1070.0,
    }
)

#: Change of velocity with temperature, m/s per kelvin. Water: JASA 102 (1997) 2776 at 20 degC;
#: steel: ASTM E797 from memory; plastics: -2 to -4 from memory.
VELOCITY_PER_KELVIN: Final[Mapping[str, float]] = MappingProxyType(
    {
        "water": 3.07,
        "polystyrene": -2.7,
        "PMMA": -2.5,
        "nylon 6-6": -3.0,
        "polyimide": -2.0,
        "fused silica": 0.5,
        "carbon steel": -1.07,
        "glycerin": -1.9,
    }
)


def poisson_ratio(longitudinal: float, transverse: float) -> float:
    """Poisson's ratio of an isotropic solid from its two bulk velocities."""
    l2, t2 = longitudinal**2, transverse**2
    return (l2 - 2 * t2) / (2 * (l2 - t2))


def rod_velocity(longitudinal: float, transverse: float) -> float:
    """Extensional velocity in a thin rod, m/s, of an isotropic solid."""
    l2, t2 = longitudinal**2, transverse**2
    return float(transverse * ((3 * l2 - 4 * t2) / (l2 - t2)) ** 0.5)
