"""Synthetic A-scans and the corpora made of them, entered by the plugin door."""

from pathlib import Path

from echotrial.hooks import CorpusEntry, ForwardModel, hookimpl

SPECS = Path(__file__).parent / "specs"
#: Recordings with a public home, see `echotrial.corpus.catalogue`.
CATALOGUE = Path(__file__).parent / "catalogue"
#: What a trial takes without arguments.
DEFAULTS = ("stainless-tube-20mhz", "nylon-tube-near-matched", "nylon-tube-mismatched")


@hookimpl
def forward_model() -> ForwardModel:
    """Layers, probe and receiver (see `model`)."""
    from echotrial_corpora.model import LayerModel

    return LayerModel()


@hookimpl
def corpora() -> list[CorpusEntry]:
    """Every spec in `SPECS`, those of `DEFAULTS` first, then the recordings of `CATALOGUE`."""
    names = [path.stem for path in sorted(SPECS.glob("*.toml"))]
    ordered = [*DEFAULTS, *(n for n in names if n not in DEFAULTS)]
    specs = [CorpusEntry(n, SPECS / f"{n}.toml", default=n in DEFAULTS) for n in ordered]
    recorded = [CorpusEntry(p.stem, p, kind="recorded") for p in CATALOGUE.glob("*.toml")]
    return specs + sorted(recorded, key=lambda entry: entry.name)
