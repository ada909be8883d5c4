"""Service: words of the status that likely mean out of service, though the brief says otherwise."""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

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
    known = {word.casefold() for word in excluded}
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
    own = [_letters(name) for name in excluded]
    return letters.startswith(tuple(name for name in (*own, *OUT) if name)) or any(
        difflib.SequenceMatcher(None, letters, name).ratio() >= ALIKE for name in own
    )


def _letters(word: str) -> str:
    """Return the letters of a word, lower case, without marks on them and all that is between."""
    plain = unicodedata.normalize("NFKD", word.casefold())
    return "".join(letter for letter in plain if letter.isalpha())
