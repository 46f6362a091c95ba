"""The method sheet as one HTML file that needs nothing else and prints on A4 and Letter."""

from functools import cache
from pathlib import Path

import jinja2

from echotrial.choose.method import Method
from echotrial.corpus.store import Corpus
from echotrial.files import write_text
from echotrial.sheet.content import Content
from echotrial.sheet.words import CAUTIONS
from echotrial.trial import Trial, open_trial

SHEET = "method-sheet.html"


def sheet(method: Method, trial: Trial, corpus: Corpus) -> str:
    """Render the sheet."""
    content = Content(method, trial, corpus)
    return template("method-sheet.html.j2").render(content=content, m=method, cautions=CAUTIONS)


def write_sheet(method: Method, folder: Path, name: str = SHEET) -> Path | None:
    """Write the sheet of a method whose trial and corpus lie in `folder`; None without them."""
    if not (folder / "trial").is_dir() or not (folder / "corpus").is_dir():
        return None
    text = sheet(method, open_trial(folder / "trial"), Corpus.open(folder / "corpus"))
    write_text(folder / name, text)
    return folder / name


@cache
def template(name: str) -> jinja2.Template:
    """A page's template, from this folder."""
    loader = jinja2.FileSystemLoader(Path(__file__).parent)
    environment = jinja2.Environment(
        loader=loader, autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    return environment.get_template(name)
