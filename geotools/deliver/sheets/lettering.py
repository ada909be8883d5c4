"""Lettering: which font has a letter, how wide words are, and in which order letters are drawn.

Letters that the first font lacks come from a second one, if there is one: letter by letter, so that
widths and what is drawn are of one choice.
"""

from __future__ import annotations

import re
import struct
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import cache
from itertools import count, groupby
from pathlib import Path
from typing import Any

from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFError, TTFont

from geotools.deliver.sheets.turned import as_drawn

__all__ = [
    *("MISSING", "FontError", "clean", "lettered", "marked", "of_second", "pieces_of"),
    *("second_font", "text_width"),
]

_PLAIN, _BOLD, _SECOND = "Sheet-Plain", "Sheet-Bold", "Sheet-Second"
_NUMBERS = count(1)  # what has a name once keeps it: every second font has its own
_FILES = {_PLAIN: "DejaVuSans.ttf", _BOLD: "DejaVuSans-Bold.ttf"}
MISSING = "\N{REPLACEMENT CHARACTER}"  # stands for every letter no font has


class FontError(ValueError):
    """A file is no font that letters can be taken from."""


class _Letters(TTFont):
    """A font all of whose letters can be copied and searched for.

    What a PDF says a letter stands for is UTF-16, two units for one beyond the first 65,536; the
    library writes its number, which readers refuse or get wrong. A joined letter of Arabic stands
    for the letter it is joined of.
    """

    def addObjects(self, doc: Any) -> None:
        """Add the font to a document."""
        super().addObjects(doc)
        for name, part in doc.idToObject.items():
            if name.startswith("toUnicodeCMap:"):
                part.content = _MEANT.sub(_units, part.content)


_MEANT = re.compile("<([0-9A-F]{5,6}|FB[5-9A-F][0-9A-F]|FE[7-9A-F][0-9A-F])>")


def _units(found: re.Match[str]) -> str:
    letter = chr(int(found[1], 16))
    if len(found[1]) == 4:  # a joined one; two in one stay so, for readers differ in their order
        alone = unicodedata.normalize("NFKC", letter)
        letter = alone if len(alone) == 1 else letter
    return f"<{letter.encode('utf-16-be').hex().upper()}>"


@dataclass
class _Lettering:
    """The second font, if any, its file, and the letters met that no font has."""

    second: Any = None
    path: Path | None = None
    lacking: set[str] = field(default_factory=set)


_LETTERING: ContextVar[_Lettering] = ContextVar("lettering")


@contextmanager
def lettered(font: Path | None = None) -> Iterator[set[str]]:
    """Take letters from a font where the first lacks them; yield those that no font has.

    Raises
    ------
    FontError
        If the file is no font, or one with outlines that cannot be put into a PDF.
    """
    own = _Lettering(_second(font), font) if font else _Lettering()
    token = _LETTERING.set(own)
    try:
        yield own.lacking
    finally:
        _LETTERING.reset(token)


def _second(path: Path) -> Any:
    if not path.is_file():
        raise FontError(f"{path.name} is no file that is there")
    try:
        font = _Letters(f"{_SECOND}-{next(_NUMBERS)}", str(path))
    except (TTFError, OSError, struct.error, LookupError, ValueError) as error:
        if "postscript outlines" in str(error):
            raise FontError(
                f"{path.name} has PostScript outlines (CFF), which cannot be put into a PDF here; "
                "give a font with TrueType outlines"
            ) from error
        raise FontError(
            f"{path.name} is no TrueType font or collection that can be read"
        ) from error
    # the library would take another font that was given before under the name of this face
    face, font.face.name = font.face.name, font.fontName
    pdfmetrics.registerFont(font)
    font.face.name = face
    return font


def _now() -> _Lettering:
    return _LETTERING.get(None) or _Lettering()


@cache
def _known() -> Any:
    """Return what the first font has; it comes with the plotting library, free to embed."""
    import matplotlib

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name, file in _FILES.items():
        pdfmetrics.registerFont(_Letters(name, str(folder / file)))
    plain: Any = pdfmetrics.getFont(_PLAIN)
    return plain.face.charToGlyph


def second_font() -> Path | None:
    """Return the file of the font that letters are taken from which the first lacks, if any."""
    return _now().path


def of_second(letter: str) -> bool:
    """Tell whether a letter comes from the second font."""
    second = _now().second
    return (
        ord(letter) not in _known()
        and second is not None
        and (ord(letter) in second.face.charToGlyph)
    )


def clean(text: object) -> str:
    """Return a text on one line, with a mark for every letter that no font has."""
    return marked(" ".join(str(text).split()))


def marked(text: str) -> str:
    """Return a text with a mark for every letter that no font has."""
    lettering = _now()
    known, more = _known(), lettering.second.face.charToGlyph if lettering.second else {}
    lacking = {c for c in text if ord(c) not in known and ord(c) not in more}
    if not lacking:
        return text
    lettering.lacking |= lacking
    return "".join(MISSING if c in lacking else c for c in text)


def text_width(text: str, size: float, bold: bool = False) -> float:
    """Return the width of a text in mm, ``size`` being the height of the type body in mm."""
    return _width(text, size, bold, _now().second)


@cache
def _width(text: str, size: float, bold: bool, second: Any) -> float:
    del second  # of which the pieces are
    parts = pieces_of(clean(text), bold)
    points = sum(pdfmetrics.stringWidth(part, font, size * mm) for font, part in parts)
    return float(points / mm)


def pieces_of(text: str, bold: bool = False) -> list[tuple[str, str]]:
    """Return a text that is clean in parts, as they are drawn: font and letters."""
    known, second, own = _known(), _now().second, _BOLD if bold else _PLAIN
    more = second.face.charToGlyph if second else {}
    drawn = as_drawn(text)
    if drawn != text:  # a letter of which there is no joined form stands alone
        there = (ord(c) in known or ord(c) in more for c in drawn)
        pairs = zip(drawn, there, strict=True)
        drawn = "".join(c if has else unicodedata.normalize("NFKC", c) for c, has in pairs)
    if second is None:
        return [(own, drawn)]
    groups = groupby(drawn, key=lambda c: ord(c) not in known)
    return [(second.fontName if lacking else own, "".join(part)) for lacking, part in groups]
