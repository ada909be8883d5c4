"""Service: words of the status that likely mean out of service, though the brief says otherwise."""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.lists import as_compared

__all__ = ["doubtful_statuses"]

# Beginnings of words, letters alone, by which records say that a main is not in service, beside
# those of the brief. Common practice, no source.
OUT = (
    "abandon", "cutoff", "dead", "decommission", "demolish", "disconnect", "discontinu", "disus",
    "future", "inactive", "isolated", "mothball", "notbuilt", "notinservice", "notinuse",
    "notyetbuilt", "nolonger", "obsolete", "outofuse", "planned", "proposed", "redundant",
    "removed", "retired", "stillgelegt", "unused",
)  # fmt: skip
ALIKE = 0.85  # likeness from which a word is one of the brief's, mistyped or inflected
SHORTEST = 4  # letters; fewer are a code, and longer words that begin with them say nothing
# What before a word says the contrary of it: one of these short of a name of the brief is none.
CONTRARY = ("de", "dis", "in", "no", "non", "not", "notyet", "out", "outof", "un")


def doubtful_statuses(
    status: npt.NDArray[np.object_],
    lengths: npt.NDArray[np.float64],
    excluded: Sequence[str],
    say: Callable[[float], str],
) -> str:
    """Return a text on words that are taken as in service and likely mean the contrary, or "".

    Parameters
    ----------
    status : ndarray of str objects, shape (n,)
        Of every main.
    lengths : ndarray, shape (n,)
        Of every main, m.
    excluded : sequence of str
        Statuses that are not lined; if there are none, nothing is doubtful.
    say : callable
        Puts a length, m, in words.
    """
    table = pd.DataFrame({"word": pd.Series(status, dtype=object).str.strip(), "length": lengths})
    words = table.groupby("word")["length"].agg(["size", "sum"])
    known = as_compared(excluded)
    told = [
        f"{word!r} ({int(row['size']):,}, {say(float(row['sum']))})"
        for word, row in words.iterrows()
        if str(word).casefold() not in known and _means_out(str(word), excluded)
    ]
    if not told or not excluded:
        return ""
    return (
        f"mains of status {', '.join(told)} are taken as in service, since none of these words is "
        "among network.excluded_statuses as it is written, though they seem to say the contrary; "
        "add those that are out of service to network.excluded_statuses"
    )


def _means_out(word: str, excluded: Sequence[str]) -> bool:
    """Tell whether a word begins with, or is much like, one for out of service."""
    letters = _letters(word)
    if not letters:
        return False
    own = [name for name in map(_letters, excluded) if len(name) >= SHORTEST]
    return letters.startswith((*own, *OUT)) or any(_alike(letters, name) for name in own)


def _alike(letters: str, name: str) -> bool:
    """Tell whether a word is much like a name, and not the contrary of it: active, of inactive."""
    if name.endswith(letters) and name.removesuffix(letters) in CONTRARY:
        return False
    return difflib.SequenceMatcher(None, letters, name).ratio() >= ALIKE


def _letters(word: str) -> str:
    """Return the letters of a word, lower case, without marks on them and all that is between."""
    plain = unicodedata.normalize("NFKD", word.casefold())
    return "".join(letter for letter in plain if letter.isalpha())
