"""The forward model as the host sees it (`echotrial.hooks.ForwardModel`)."""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from echotrial.hooks import Echoes, Material, SyntheticRecords
from echotrial.setup import Setup
from numpy.typing import NDArray

if TYPE_CHECKING:
    from echotrial_corpora.spec import CorpusSpec


class LayerModel:
    """Plane waves in layers, averaged over the aperture; see the modules for each part.

    Imports are put off until they are needed: naming the model must cost nothing.
    """

    #: Changes whenever the same spec and seed would give other bytes.
    version = "5"

    def read_spec(self, path: Path) -> "CorpusSpec":
        """Validate a spec file; raises `echotrial.errors.WrongQuestion`."""
        from echotrial_corpora.spec import read_spec

        return read_spec(path)

    def spec_of(self, canonical: str) -> "CorpusSpec":
        """The spec whose canonical text this is."""
        from echotrial_corpora.spec import from_canonical

        return from_canonical(canonical)

    def records(self, spec: Any, split: str, seed: int, start: int, stop: int) -> SyntheticRecords:
        """Records as a function of (spec, split, seed, index) alone, whatever the chunking."""
        from echotrial_corpora.records import records

        return records(spec, split, seed, start, stop)

    def spec_for(self, setup: Setup, variation: Mapping[str, Any]) -> "CorpusSpec":
        """A spec around a set-up; `variation` holds tables of a spec that replace its own."""
        from echotrial_corpora.around import spec_for

        return spec_for(setup, variation)

    def echoes(self, setup: Setup, thickness_m: float | None = None) -> Echoes:
        """Expected echoes, of the thinnest wall of the range unless told otherwise."""
        from echotrial_corpora.around import echoes

        return echoes(setup, thickness_m)

    def bound(self, setup: Setup, thickness_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Cramer-Rao bound on thickness, metres, NaN where it is not known."""
        from echotrial_corpora.bound import bound_for

        return bound_for(setup, thickness_m)

    def materials(self) -> Mapping[str, Material]:
        """The material table."""
        from echotrial_corpora.materials import MATERIALS

        return MATERIALS
