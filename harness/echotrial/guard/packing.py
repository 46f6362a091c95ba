"""A detector's answers as text: a letter a record, so that a diff shows which ones flipped."""

import base64
import binascii
import textwrap
import zlib
from collections.abc import Mapping
from typing import Any, Final

import numpy as np

from echotrial.compare.side import DIRECTIONS, OUTCOMES, Answers
from echotrial.outcome import Direction, Outcome

#: In capitals where the reading is too thick.
LETTERS: Final = {
    Outcome.HIT: "h",
    Outcome.OFF: "o",
    Outcome.UNDECIDED: "u",
    Outcome.STRAY: "s",
    Outcome.ECHO_SKIP: "e",
    Outcome.CYCLE_SKIP: "c",
    Outcome.AMBIGUOUS: "a",
    Outcome.TAIL_LOCK: "t",
    Outcome.PHANTOM: "p",
    Outcome.QUIET: "q",
    Outcome.DROPOUT: "d",
    Outcome.CRASHED: "x",
    Outcome.TIMED_OUT: "l",
    Outcome.INVALID: "i",
    Outcome.NOT_APPLICABLE: "n",
}
_LINE: Final = 100
_NONE: Final = np.iinfo(np.int32).min
_LIMIT: Final = np.iinfo(np.int32).max
_THICK: Final = DIRECTIONS.index(str(Direction.THICK))
_THIN: Final = DIRECTIONS.index(str(Direction.THIN))


def pack(answers: Answers) -> dict[str, Any]:
    """Outcomes as lines of letters; thin ones and errors compressed, in base 64."""
    letters = [LETTERS[Outcome(OUTCOMES[code])] for code in answers.outcome]
    thick = answers.direction == _THICK
    text = "".join(a.upper() if t else a for a, t in zip(letters, thick, strict=True))
    steps = np.where(answers.read, np.clip(answers.error, -_LIMIT, _LIMIT), _NONE)
    return {
        "outcomes": textwrap.wrap(text, _LINE),
        "thin": _squeezed(np.packbits(answers.direction == _THIN)),
        "errors": _squeezed(steps.astype("<i4")),
    }


def unpack(packed: Mapping[str, Any]) -> Answers:
    """Give back what `pack` was given.

    Raises
    ------
    ValueError
        Anything that `pack` does not write.
    """
    text = "".join(packed["outcomes"])
    codes = {letter: OUTCOMES.index(str(o)) for o, letter in LETTERS.items()}
    if not set(text.lower()) <= codes.keys():
        raise ValueError(f"unknown letters among {''.join(sorted(set(text)))}")
    n = len(text)
    steps = np.frombuffer(_loosened(packed["errors"], 4 * n), dtype="<i4").astype(np.int64)
    bits = np.frombuffer(_loosened(packed["thin"], (n + 7) // 8), dtype=np.uint8)
    thin = np.unpackbits(bits, count=n).astype(bool)
    direction = np.where(thin, _THIN, 0)
    direction[[letter.isupper() for letter in text]] = _THICK
    read = steps != _NONE
    outcome = np.array([codes[letter.lower()] for letter in text], dtype=np.int8)
    return Answers(outcome, direction.astype(np.int8), np.where(read, steps, 0), read)


def _squeezed(values: np.ndarray[Any, Any]) -> str:
    return base64.b85encode(zlib.compress(values.tobytes(), 9)).decode()


def _loosened(text: str, size: int) -> bytes:
    """Never more than `size` bytes, whatever the text pretends to hold."""
    try:
        squeezed = base64.b85decode(text)
        opened = zlib.decompressobj()
        found = opened.decompress(squeezed, size + 1)
    except (zlib.error, binascii.Error, ValueError, AttributeError) as error:
        raise ValueError(f"packed data are damaged ({error})") from None
    if len(found) != size:
        raise ValueError(f"packed data hold {len(found)} bytes or more, {size} belong there")
    return found
