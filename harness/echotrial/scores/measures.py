"""Names of the numbers in a table of scores, and what each of them is."""

from collections.abc import Mapping
from typing import Final

from echotrial.outcome import WALL_LOCKS, Outcome

#: Stratum of the walls inside the set-up's range, all together.
WHOLE: Final = "whole"

#: What the column ``measure`` may hold; measures of plugins come on top, as ``plugin: measure``.
MEASURES: Final[Mapping[str, str]] = {
    **{str(o): f"share of records whose outcome is {o}" for o in Outcome},
    "false lock": "share of wall records with a false lock of any kind",
    "thick false lock": "the same, too thick only: these keep a bad part in service",
    "thin false lock": "the same, too thin only",
    "thick": "share of wall records read too thick, off or false lock",
    **{
        f"thick {o}": f"share of wall records with {o}, too thick"
        for o in Outcome
        if o in WALL_LOCKS
    },
    "hit at least": "Clopper-Pearson lower bound of hits, one-sided 95 %",
    "false lock at most": "Clopper-Pearson upper bound of false locks, one-sided 95 %",
    "thick false lock at most": "the same for those too thick",
    "phantom at most": "the same for phantoms on dry records",
    "bias": "mean error of readings of the right echoes (hit, off, undecided)",
    "bias percent": "mean error over the true wall",
    "median error": "median error of the same readings",
    "sd": "standard deviation of their errors",
    "sd percent": "standard deviation of error over the true wall",
    "mad": "median absolute deviation of their errors",
    "rms": "root-mean-square of their errors",
    "velocity error": "mean part of the error that a wrong set-up velocity explains",
    "velocity error rms": "root-mean-square of that part",
    "own bias": "bias without that part",
    "own sd": "standard deviation without that part",
    "own rms": "root-mean-square error without that part",
    "trend slope": "error of the wall per wall: a wrong velocity, or tails that pull",
    "trend offset": "error at no wall: a wrong zero offset",
    "efficiency ratio": "own root-mean-square error over the Cramer-Rao bound; 1 is the best",
    "thin-wall limit": "smallest wall above which every bin's hits are 90 % or more at 95 %",
    "false-lock limit": "smallest wall above which every bin's false locks are below the limit",
    "a90": "wall hit with 90 %, by hit/miss logistic regression",
    "a90/95": "its upper 95 % bound by the likelihood ratio",
    "worst stratum hit": "hit rate of the bin with the fewest, which the note names",
    "worst stratum false lock": "false-lock rate of the bin with the most, likewise",
    "calibration error": "mean distance of stated from observed P(hit | reading)",
    "brier": "mean squared error of P(hit | reading)",
    "area under risk": "mean share of false locks among readings kept, over all thresholds",
    "confidence threshold": "P(hit) above which readings keep the false-lock limit",
    "hits at threshold": "share of wall records hit with readings above that threshold",
}
