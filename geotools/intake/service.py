"""Service: statuses that likely mean out of service, or that nobody can tell the meaning of."""

from __future__ import annotations

import difflib
import unicodedata
from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.lists import as_compared

__all__ = ["coded_statuses", "doubtful_statuses"]

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
# Short words that say of a main that it is in service. Common practice, no source.
IN_SERVICE = ("act", "in", "ok", "on", "run", "use", "yes")
CODES = 20  # codes told one by one
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
    words = _met(status, lengths, excluded)
    told = [_told(words, word, say) for word in words.index if _means_out(word, excluded)]
    if not told or not excluded:
        return ""
    return (
        f"mains of status {', '.join(told)} are taken as in service, since none of these words is "
        "among network.excluded_statuses as it is written, though they seem to say the contrary; "
        "add those that are out of service to network.excluded_statuses"
    )


def coded_statuses(
    status: npt.NDArray[np.object_],
    lengths: npt.NDArray[np.float64],
    excluded: Sequence[str],
    say: Callable[[float], str],
) -> tuple[str, str]:
    """Return severity and text on codes among the statuses, or "" twice.

    What a code means is the utility's own: ``A`` may be active and abandoned. Who excludes codes
    has read the list of them, and is told of the others for information.

    Parameters
    ----------
    status, lengths, excluded, say
        As of `doubtful_statuses`.
    """
    words = _met(status, lengths, excluded)
    codes = words[[_is_code(word) for word in words.index]]
    if not len(codes) or not excluded:
        return "", ""
    codes = codes.sort_values("size", ascending=False, kind="stable")
    told = [_told(codes, word, say) for word in codes.index[:CODES]]
    more = f" and {len(codes) - CODES:,} other codes" if len(codes) > CODES else ""
    text = (
        f"mains of status {', '.join(told)}{more} are taken as in service: these are codes, which "
        "network.excluded_statuses does not list and whose meaning is not known here; look up "
        "which of them mean abandoned or not built, and add those to network.excluded_statuses, or "
        "name a column with the words in place of the codes under [inputs.mains.fields]"
    )
    return "info" if any(_is_code(word) for word in excluded) else "warning", text


def _met(
    status: npt.NDArray[np.object_], lengths: npt.NDArray[np.float64], excluded: Sequence[str]
) -> pd.DataFrame:
    """Return number and length, m, of the mains of each status that is not excluded, by word."""
    table = pd.DataFrame({"word": pd.Series(status, dtype=object).str.strip(), "length": lengths})
    words = table.groupby("word")["length"].agg(["size", "sum"])
    known = as_compared(excluded)
    return words[[str(word).casefold() not in known for word in words.index]]


def _told(words: pd.DataFrame, word: str, say: Callable[[float], str]) -> str:
    place = words.index.get_loc(word)
    size, length = words["size"].to_numpy()[place], words["sum"].to_numpy(dtype=float)[place]
    return f"{word!r} ({size:,}, {say(float(length))})"


def _is_code(word: str) -> bool:
    """Tell whether a status is a code: of few letters, or one word with a digit in it.

    In scripts that have a sign for a word, few signs are no code.
    """
    letters = _letters(word)
    if not word.strip() or letters in IN_SERVICE:
        return False
    digit = any(sign.isdigit() for sign in word) and len(word.split()) == 1
    return (letters.isascii() and len(letters) < SHORTEST) or digit


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
