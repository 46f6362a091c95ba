"""Measuring with a method: thickness, expanded uncertainty, confidence, or why there is none."""

from typing import Final

import numpy as np
import pandas as pd

from echotrial import quantities
from echotrial.choose.method import Method
from echotrial.choose.traces import Traces
from echotrial.engine import read_corpus
from echotrial.host import Host

#: Readings beyond the samples of the calibration by more than this share say so.
BEYOND: Final = 0.05


def measure(method: Method, traces: Traces, host: Host, workers: int = 0) -> pd.DataFrame:
    """Read recordings with a method.

    Returns
    -------
    DataFrame
        ``record``, ``thickness_mm`` or ``thickness_in`` (the method's unit), ``U_mm`` or ``U_in``
        (expanded, k = 2), ``confidence`` (P(hit | reading) on the method's `tune` records),
        ``reason`` (why no reading, or what to beware of; empty otherwise).
    """
    detector = method.loaded(host)
    result = read_corpus(
        traces, [detector], settings={detector.name: dict(method.settings)}, workers=workers
    )
    readings = result.readings
    read_m = readings["thickness_mm"].to_numpy(np.float64) * 1e-3
    raw = readings["confidence"].to_numpy(np.float64)
    unit = method.setup.length_unit
    scale = quantities.convert(1.0, "length", unit)
    nothing = np.full(read_m.size, np.nan)
    return pd.DataFrame(
        {
            "record": readings["record"].to_numpy(),
            f"thickness_{unit}": read_m * scale,
            f"U_{unit}": expanded_m(method, read_m) * scale,
            "confidence": method.confidence(raw) if method.confidence else nothing,
            "reason": _reasons(method, readings, read_m),
        }
    )


def expanded_m(method: Method, thickness_m: np.ndarray) -> np.ndarray:
    """Expanded uncertainty: linear between the walls of the budget, NaN where nothing was read.

    NaN throughout without a calibration: nothing can be said of what it would add.
    """
    if method.calibration is None:
        return np.full(thickness_m.size, np.nan)
    budgets = method.budgets()
    walls, widths = ([getattr(b, n) for b in budgets] for n in ("thickness_m", "expanded_m"))
    return np.asarray(np.interp(thickness_m, walls, widths))


def _reasons(method: Method, readings: pd.DataFrame, read_m: np.ndarray) -> list[str]:
    silent = np.isnan(read_m)
    faulty = (readings["status"].astype(str) != "ok").to_numpy()
    note = readings["note"].astype(str).to_numpy()
    status = readings["status"].astype(str).to_numpy()
    reason = readings["reason"].astype(str).to_numpy()
    low, high = method.line.holds_m
    beyond = (read_m < low * (1 - BEYOND)) | (read_m > high * (1 + BEYOND))
    words = np.where(silent, reason, "")
    words = np.where(~silent & beyond, "beyond the calibrated range", words)
    fault = np.char.add(np.char.add(status.astype(str), ": "), note.astype(str))
    return list(np.where(faulty, fault, words))
