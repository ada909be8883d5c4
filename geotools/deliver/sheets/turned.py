"""Lines of Hebrew and Arabic as they are drawn from left to right, letters of Arabic joined."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator
from functools import cache
from typing import Any

__all__ = ["as_drawn"]

# Scripts that run from right to left.
_TURNED = re.compile(
    "[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc\U00010800-\U00010fff\U0001e800-\U0001efff]"
)
_BRACKETS = {"(": ")", "[": "]", "{": "}"}
_LEFT, _RIGHT = "\N{LEFT-TO-RIGHT MARK}", "\N{RIGHT-TO-LEFT MARK}"
_STRONG = {"L": _LEFT, "R": _RIGHT, "AL": _RIGHT, "AN": _RIGHT}


def as_drawn(text: str) -> str:
    """Return a line as it is drawn."""
    return _turned(text) if _TURNED.search(text) else text


@cache
def _turned(text: str) -> str:
    from bidi.algorithm import get_display

    way = "L" if _own(text) == _LEFT else "R"
    drawn = str(get_display(_with_marks(_joiner().reshape(text)), base_dir=way))
    return drawn.replace(_LEFT, "").replace(_RIGHT, "")


@cache
def _joiner() -> Any:
    from arabic_reshaper import ArabicReshaper

    kept = {"delete_harakat": False, "delete_tatweel": False}
    # the one ligature on by default that the first font lacks
    return ArabicReshaper(configuration=kept | {"ARABIC LIGATURE ALLAH": False})


def _with_marks(text: str) -> str:
    """Return a text with marks about brackets, so that both of a pair run as their words do.

    As rule N0 of the Unicode bidirectional algorithm has it, which the library lacks: the way of
    the line if anything between them runs so, else the way of what is between and before them.
    """
    ways = _ways(text)
    own = _own(text)
    letters = list(text)
    for first, last in _pairs(text):
        within = set(ways[first:last]) - {""}
        before = next((way for way in reversed(ways[:first]) if way), own)
        mark = before if within and own not in within else own
        for k in (first, last):
            letters[k] = f"{mark}{text[k]}{mark}"
    return "".join(letters)


def _own(text: str) -> str:
    """Return the way of a line: that of its first letter, or to the right where most letters run.

    A line may be part of a sentence of the program that breaks before a name.
    """
    ways = [_STRONG.get(unicodedata.bidirectional(c), "") for c in text if c.isalpha()]
    if ways.count(_LEFT) > ways.count(_RIGHT):
        return _LEFT
    return next((way for way in ways if way), _LEFT)


def _ways(text: str) -> list[str]:
    """Return the mark of the way each letter runs; a number runs as the letter before it."""
    ways, last = [], ""
    for letter in text:
        kind = unicodedata.bidirectional(letter)
        way = (last or _RIGHT) if kind == "EN" else _STRONG.get(kind, "")
        last = way or last
        ways.append(way)
    return ways


def _pairs(text: str) -> Iterator[tuple[int, int]]:
    """Yield where brackets open and close that belong together."""
    opened: list[int] = []
    for k, letter in enumerate(text):
        if letter in _BRACKETS:
            opened.append(k)
        elif opened and letter == _BRACKETS[text[opened[-1]]]:
            yield opened.pop(), k
