"""Names, units and meaning of the columns in every table that a corpus or a trial holds.

Files carry units in column names (``thickness_mm``, ``interface_us``); code inside is SI.
"""

from typing import Final

#: ``known.parquet`` of a corpus: what detectors may see of each record.
KNOWN: Final = {"start_us": "time of sample 0 on the set-up's clock"}

#: ``truth.parquet`` of a corpus, one row a record; detectors never see it. Only the first five are
#: always there; a missing column, an empty list and NaN all mean "not known". Any further column
#: is a stratum.
TRUTH: Final = {
    "record": "integer index; the records of `prove` come first and count from 0",
    "split": "tune or prove",
    "specimen": "name of the piece; several records of one piece are no independent evidence",
    "thickness_mm": "true wall; NaN = no wall",
    "thickness_u_mm": "its standard uncertainty",
    "kind": "wall, dry or wet tip",
    "interface_us": "envelope peak of the tail (the record on an infinitely thick wall)",
    "back_wall_us": "list: envelope peak of the noise-free back-wall term of each order alone",
    "back_wall_stands": "list of bool: that echo's peak is above the tail and 3 sigma of the noise",
    "velocity_true_m_s": "velocity the record was made with",
    "wall_wavelengths": "thickness over wavelength at the true velocity and nominal frequency",
    "snr_db": "20 log10(peak of the noise-free record / rms of the noise)",
    "echo_snr_db": "the same for the first back-wall echo",
    "tail_end_us": "where the tail's envelope last exceeds 3 sigma of noise and -40 dB of its peak",
    "tail_to_echo_db": "tail envelope at the first back-wall echo over that echo's peak",
    "couplant_gap_um": "mean couplant gap over the aperture",
    "bound_um": "Cramer-Rao bound on thickness (standard deviation)",
}

#: What the engine makes: one row a record and detector, whatever happened.
READINGS: Final = {
    "corpus": "name of the corpus",
    "record": "as in the truth",
    "split": "as in the truth",
    "detector": "name of the detector",
    "thickness_mm": "NaN = no reading",
    "first_echo_us": "first mark on the records' clock, NaN = none",
    "second_echo_us": "second mark",
    "spans": "wall round trips between the marks, NaN = not said",
    "gate_start_us": "where a mark could lie, from",
    "gate_end_us": "to",
    "confidence": "raw, as the detector gave it",
    "reason": "why no reading, in words",
    "status": "ok, crashed, timed out, invalid or not applicable",
    "note": "what went wrong, for every status but ok",
}

#: What outcomes add to a reading.
OUTCOMES: Final = {
    "outcome": "see echotrial.outcome.Outcome",
    "rule": "by marks, by thickness or by status: what decided",
    "direction": "thick or thin for off and false locks of a wall, else empty",
    "error_um": "reading - truth",
    "tolerance_um": "what a hit may be off",
}

#: ``scores.csv`` of a trial, one row a number (`echotrial.scores`); readings of `prove` only.
SCORES: Final = {
    "corpus": "name of the corpus",
    "detector": "name of the detector",
    "stratum": "whole (walls inside the set-up's range), range, no wall, or a column of the truth",
    "bin": "which part of the stratum; empty for the whole",
    "measure": "what the number is, see echotrial.scores.MEASURES",
    "value": "the number; NaN = no estimate, and the note says why",
    "low": "lower end of its 95 % interval, NaN = no interval",
    "high": "upper end",
    "numerator": "of a rate: records that count; else NaN",
    "denominator": "of a rate: records that could; else the number of records it rests on",
    "unit": "1 for rates and ratios, um, mm, percent, wavelengths",
    "note": "method, restriction or reason; empty where there is nothing to add",
}
