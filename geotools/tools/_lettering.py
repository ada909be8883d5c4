"""The font that tools which draw a PDF take letters from, and what they say of letters lacking."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from geotools.tool import Key, Parameter, ToolError

__all__ = ["FONT", "LACKING", "lacking_lines", "lettered_by"]

FONT = Parameter(
    "font",
    "path",
    "TrueType font or collection, from which letters come that the lettering lacks, such as those "
    "of Japanese, Chinese, Korean or Thai",
)
LACKING = Key("letters_lacking", "integer", "different letters that no font has, drawn as marks")


@contextmanager
def lettered_by(command: str, font: Path | None) -> Iterator[set[str]]:
    """Draw with letters of a font where the first lacks them; yield those that no font has.

    Raises
    ------
    ToolError
        If the file is no font to take letters from.
    """
    from geotools.deliver.sheets.lettering import FontError, lettered

    try:
        with lettered(font) as lacking:
            yield lacking
    except FontError as error:
        raise ToolError(command, [f"{FONT.name}: {error}"]) from error


def lacking_lines(lacking: int) -> list[str]:
    """Say how many letters are lacking and what to do; nothing where none is."""
    from geotools.deliver.sheets.lettering import MISSING

    if not lacking:
        return []
    return [
        f"lacking   {lacking} different letters, each drawn as {MISSING}; --font FILE takes "
        "them from a TrueType font that has them"
    ]
