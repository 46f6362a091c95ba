"""Small frames for eyes, cut from the long table of scores."""

from collections.abc import Sequence
from typing import Final

import pandas as pd

from echotrial.scores.measures import WHOLE

#: (column, measure, stratum, bin, unit) of `wide`.
COLUMNS: Final = (
    ("hit", "hit", WHOLE, "", "1"),
    ("dropout", "dropout", WHOLE, "", "1"),
    ("off", "off", WHOLE, "", "1"),
    ("false lock", "false lock", WHOLE, "", "1"),
    ("thick false lock", "thick false lock", WHOLE, "", "1"),
    ("echo skip", "echo skip", WHOLE, "", "1"),
    ("cycle skip", "cycle skip", WHOLE, "", "1"),
    ("ambiguous", "ambiguous", WHOLE, "", "1"),
    ("tail lock", "tail lock", WHOLE, "", "1"),
    ("stray", "stray", WHOLE, "", "1"),
    ("phantom", "phantom", "no wall", "dry", "1"),
    ("wet-tip phantom", "phantom", "no wall", "wet tip", "1"),
    ("bias_um", "bias", WHOLE, "", "um"),
    ("sd_um", "sd", WHOLE, "", "um"),
    ("rms_um", "rms", WHOLE, "", "um"),
    ("velocity_error_um", "velocity error", WHOLE, "", "um"),
    ("own_rms_um", "own rms", WHOLE, "", "um"),
    ("efficiency", "efficiency ratio", WHOLE, "", "1"),
    ("thin_wall_mm", "thin-wall limit", WHOLE, "", "mm"),
    ("thin_wall_wavelengths", "thin-wall limit", WHOLE, "", "wavelengths"),
)


def wide(table: pd.DataFrame, order: Sequence[str] = ()) -> pd.DataFrame:
    """One row a detector, one column a number of `COLUMNS`; those in `order` come first."""
    names = list(dict.fromkeys([*order, *table["detector"]]))
    keys = ["measure", "stratum", "bin", "unit"]
    found = table.set_index([*keys, "detector"])["value"]
    columns = {
        column: pd.Series({n: found.get((*key, n), float("nan")) for n in names}, dtype=float)
        for column, *key in COLUMNS
    }
    return pd.DataFrame(columns, index=pd.Index(names, name="detector"))


def by_stratum(table: pd.DataFrame, stratum: str, measure: str) -> pd.DataFrame:
    """One row a detector, one column a bin of a stratum, in the order of the bins."""
    rows = table[(table["stratum"] == stratum) & (table["measure"] == measure)]
    made = rows.pivot_table(index="detector", columns="bin", values="value", dropna=False)
    return made.reindex(index=rows["detector"].unique(), columns=rows["bin"].unique())
