"""Traffic: which way it goes by the words of a column; whether T and F are To and From, or true.

Beside words of one kind T and F are what these say. Alone, or beside words of both kinds, they may
be either, which is told.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.intake.columns import Lines
from geotools.intake.notes import Note, notes_by_word
from geotools.intake.values import NOTHING
from geotools.pipe.names import spaced
from geotools.schema import WAYS

__all__ = [
    *("FIELD", "as_words", "has_letters", "one_way", "traffic", "traffic_remarks"),
    "unread_ways",
]

FIELD = "oneway"  # the field such letters are read in
# What they are: To and From, with nothing said; true and false by other words of the column; true
# and false, or To and From, for want of any word that tells; To and From beside words of both.
PLAIN, TOLD, TRUTH, DRAWN, MIXED = "", "told", "truth", "drawn", "mixed"
LETTERS = {"t": "yes", "f": "no"}
# Words beside which they are To and From: as tables of road data have them. So they are beside N
# too, which says no, unless other words for yes or no are there.
BESIDE = frozenset({"along", "against", "b", "both", "ft", "reverse", "tf", "-1", "-1.0"})
NO = "n"
# Words as they are written; longer ones whatever stands between their parts, as in inDirection.
MEANT = {word.casefold(): meaning for meaning, words in WAYS for word in words}
LONG = 4  # letters
SPACED = {spaced(word): meaning for word, meaning in MEANT.items() if len(word) >= LONG}
TRUE_OR_FALSE = frozenset({"yes", "no", "y", "true", "false", "1", "1.0", "0", "0.0"})


def one_way(
    table: pd.DataFrame,
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Return 1 for traffic one way along the line, -1 against it, else 0; and what is not known."""
    if FIELD not in table:
        return np.zeros(len(table)), np.zeros(len(table), dtype=bool)
    number, words = pd.factorize(table[FIELD].fillna("").astype(str))
    meant = [_meant(word) for word in words]
    ways = np.array([(way == "along") - (way == "against") for way in meant], dtype=np.float64)
    unread = np.array([not way for way in meant], dtype=np.bool_)
    return ways[number], unread[number]


def _meant(word: str) -> str:
    """Return along, against or both; "" of a word that is not known."""
    plain = spaced(word)
    long = SPACED.get(plain, "") if len(plain) >= LONG else ""
    return MEANT.get(word.strip().casefold(), long)


def unread_ways(streets: Lines) -> list[Note]:
    """Return what words on one-way traffic are not known, by row."""
    rows = np.flatnonzero(one_way(streets.table)[1])
    said = streets.table[FIELD].to_numpy(dtype=object)[rows]

    def say(word: str, count: int) -> str:
        on = f" on {count:,} streets" if count > 1 else ""
        return (
            f"oneway is {word!r}{on}; taken as both ways: give along, against or both, or leave "
            "it out"
        )

    notes = notes_by_word("warning", "oneway-not-read", rows, said, say)
    return [replace(one, field=FIELD) for one in notes]


def has_letters(texts: npt.NDArray[np.object_]) -> bool:
    """Tell whether a column holds T or F."""
    return any(word in LETTERS for word in _words(texts)[1])


def traffic(texts: npt.NDArray[np.object_]) -> str:
    """Return what T and F stand for in a column, by all its values.

    Alone they are read as true and false, which is the safer: F is then both ways, and traffic that
    comes against the line as drawn is not forgotten, while a street of one way that is held for one
    of both has but fewer lanes to spare. They are To and From if some streets say F and most say
    nothing, as both ways are left out then.
    """
    number, words = _words(texts)
    said = set(words)
    if said.isdisjoint(LETTERS):
        return PLAIN
    if said & TRUE_OR_FALSE:
        return MIXED if said & BESIDE else TOLD
    if said & BESIDE or NO in said:
        return PLAIN
    blank = _among(number, words, NOTHING).sum()
    return DRAWN if "f" in said and 2 * blank > len(texts) else TRUTH


def as_words(texts: npt.NDArray[np.object_], ways: str) -> npt.NDArray[np.object_]:
    """Return texts with yes and no for T and F where these are true and false (``ways``)."""
    if ways not in (TOLD, TRUTH):
        return texts
    number, words = _words(texts)
    out = texts.copy()
    for letter, word in LETTERS.items():
        out[_among(number, words, [letter])] = word
    return out


_UNTOLD = "and no other word in the column tells whether that is To and From or true and false"
_FROM = "F is one way as the line is drawn, T against it"
_TRUE = "read as true and false: T is one way as the line is drawn, F both ways"
# Why it is to be said, and how it was read
_HOW = {
    TOLD: ("beside words for yes or no", _TRUE),
    TRUTH: (_UNTOLD, _TRUE),
    DRAWN: (_UNTOLD, f"read as To and From, since most streets say nothing: {_FROM}"),
    MIXED: (
        "beside words for To and From and words for yes or no",
        f"read as To and From: {_FROM}",
    ),
}


def traffic_remarks(
    name: str, texts: npt.NDArray[np.object_], ways: str
) -> list[tuple[str, str, str]]:
    """Return what is to be said of T and F in a column of this name; nothing where it is plain."""
    if ways == PLAIN:
        return []
    count = int(_among(*_words(texts), LETTERS).sum())
    why, read = _HOW[ways]
    write = (
        "to be sure write FT (one way as drawn), TF (against it) and B (both ways), or yes and no"
    )
    text = f"oneway is T or F on {count:,} features (column {name!r}), {why}; {read}; {write}"
    if ways == TOLD:
        return [("info", "oneway-letters", text)]
    return [("warning", "oneway-doubtful", text)]


def _words(texts: npt.NDArray[np.object_]) -> tuple[npt.NDArray[np.int64], list[str]]:
    """Return the number of the word of each text, and the words, bare and in lower case.

    Words that are spelled in several ways are there as often. Texts are many and words few: arrays
    of text would be as wide for each of them as for the longest.
    """
    number, words = pd.factorize(texts, use_na_sentinel=False)
    return np.asarray(number, dtype=np.int64), [str(word).strip().lower() for word in words]


def _among(
    number: npt.NDArray[np.int64], words: list[str], sought: Collection[str]
) -> npt.NDArray[np.bool_]:
    """Tell which texts, given as `_words` returns them, are one of the words sought."""
    return np.array([word in sought for word in words], dtype=bool)[number]
