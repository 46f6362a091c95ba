"""Built-in detectors, one file each, entered by the same door as anybody's.

Importing this package imports none of them: `detectors` does, when the host asks.
"""

from collections.abc import Iterable
from importlib import import_module
from typing import Any

from echotrial.hooks import hookimpl

#: module -> class
DETECTORS = {
    "threshold": "Threshold",
    "correlation": "Correlation",
    "envelope": "Envelope",
    "cepstral": "Cepstral",
    "model_fit": "ModelFit",
    "autocorrelation": "Autocorrelation",
    "spectral_notch": "SpectralNotch",
    "sparse": "Sparse",
    "onset": "Onset",
    "tail_subtraction": "TailSubtraction",
    "consensus": "Consensus",
}


@hookimpl
def detectors() -> Iterable[type]:
    """Give every built-in detector."""
    found: list[Any] = [
        getattr(import_module(f"{__name__}.{module}"), name) for module, name in DETECTORS.items()
    ]
    return found
