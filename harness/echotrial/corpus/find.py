"""From what a user says (a folder, a spec file, a name) to a corpus or the spec of one."""

from collections.abc import Mapping
from pathlib import Path

from echotrial.corpus import home
from echotrial.corpus.address import fetched, is_address
from echotrial.corpus.build import Progress, Size, build
from echotrial.corpus.store import Corpus
from echotrial.errors import WrongQuestion, nearest
from echotrial.hooks import Material, Spec
from echotrial.host import Host


def materials(host: Host) -> Mapping[str, Material] | None:
    """The material table of the forward model; None where no plugin brings one."""
    return host.forward_model.materials() if host.models else None


def spec_named(host: Host, what: str) -> Spec:
    """Read the spec that a file or a name means.

    Raises
    ------
    WrongQuestion
        No such file, no such name (the nearest one is named), or a spec that cannot be.
    """
    entry = host.corpora.get(what)
    if entry is not None and entry.kind == "spec":
        return host.forward_model.read_spec(entry.path)
    if Path(what).suffix == ".toml" or Path(what).is_file():
        return host.forward_model.read_spec(Path(what))
    specs = [n for n, e in host.corpora.items() if e.kind == "spec"]
    hint = nearest(what, specs) if specs else "no plugin offers any"
    raise WrongQuestion(f"no spec '{what}': {hint}, or a .toml file")


def obtain(
    host: Host,
    what: str,
    *,
    seed: int = 0,
    size: Size = "run",
    workers: int = 1,
    progress: Progress | None = None,
) -> Corpus:
    """Open, or build, the corpus that a folder, an address, a spec file or a name means.

    Names are those of the specs on offer and of the corpora already among the user's own.
    """
    if is_address(what):
        return fetched(what, materials(host))
    folder = folder_named(what)
    if folder is not None:
        return Corpus.open(folder, materials=materials(host))
    entry = host.corpora.get(what)
    if entry is not None and entry.kind == "recorded":
        raise WrongQuestion(f"'{what}' is not here yet: `echotrial corpus fetch {what}` brings it")
    if entry is None and Path(what).suffix != ".toml":
        known = [*host.corpora, *(f.name for f in home.corpora())]
        hint = nearest(what, known) if known else "none are known"
        raise WrongQuestion(
            f"no corpus '{what}': no such folder or spec file, and of the names {hint}"
        )
    spec = spec_named(host, what)
    return build(host, spec, seed=seed, size=size, workers=workers, progress=progress)


def folder_named(what: str) -> Path | None:
    """The corpus folder that a path or the name of an imported corpus means, if there is one.

    A folder of recordings may well have the name of the corpus made of them.
    """
    path = Path(what)
    if (path / home.MANIFEST).is_file():
        return path
    kept = next((f for f in home.corpora() if f.name == what), None)
    return kept or (path if path.is_dir() else None)


def opened(what: str) -> Corpus:
    """Open the corpus that a folder, or the name of one of the user's corpora, means.

    A corpus made of a spec goes by the spec's name, too, if there is but one.

    Raises
    ------
    WrongQuestion
        There is none; the nearest name is given. There are several; they are named.
    """
    folder = folder_named(what) or _made_of(what)
    if folder is None:
        known = [f.name for f in home.corpora()]
        hint = nearest(what, known) if known else "none are here"
        raise WrongQuestion(f"no corpus '{what}': no such folder, and of the corpora here {hint}")
    return Corpus.open(folder)


def _made_of(spec: str) -> Path | None:
    """The one folder built of a spec of that name; None where there is none."""
    built = home.corpora("built")
    found = [f for f in built if f.name.rsplit("-", 2)[0] == spec]  # see `home.built_folder`
    if len(found) > 1:
        names = ", ".join(f.name for f in found)
        raise WrongQuestion(f"corpus '{spec}': there are {len(found)}; say which: {names}")
    return found[0] if found else None
