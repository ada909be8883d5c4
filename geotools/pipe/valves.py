"""Words for the kind of a valve, as records write them: what shuts a main, what does not."""

from __future__ import annotations

import re
from functools import cache, lru_cache

from geotools.pipe._tables import rows
from geotools.pipe.names import spaced

__all__ = ["is_stuck", "valve_kind"]

# What of a kind a word may be: all of it but a size, a word of it, the beginning of one, anything.
_PARTS = {
    "whole": r"^{}(?: (?:dn)?[0-9]*(?:mm|in)?)*$",
    "word": r"\b{}\b",
    "start": r"\b{}",
    "within": r"{}",
}


@lru_cache(maxsize=65536)
def valve_kind(text: str) -> str:
    """Return what a valve is by its kind.

    Parameters
    ----------
    text : str
        As a record has it, in one of the languages of ``data/valve_words.csv``; case, marks on
        letters, and what stands between words do not matter.

    Returns
    -------
    str
        ``tapped`` if it stands on a branch off the main, as an air valve, which is so also where a
        word for another valve stands beside it (hydrant gate valve); ``inline`` if water goes
        through it and it is there for something else than to shut the main, as a check valve;
        ``line`` if it shuts the main; "" if no word of it is known.
    """
    plain = _plain(text)
    for kind in ("tapped", "inline", "line"):
        if _pattern(kind).search(plain):
            return kind
    return ""


@lru_cache(maxsize=65536)
def is_stuck(text: str) -> bool:
    """Tell whether the kind of a valve says that it cannot be moved, or not be found."""
    return _pattern("stuck").search(_plain(text)) is not None


def _plain(text: str) -> str:
    """Return a kind in plain words, without those that only seem to say what a valve is."""
    return _pattern("sound").sub(" ", spaced(text)).strip()


@cache
def _pattern(kind: str) -> re.Pattern[str]:
    return re.compile(
        "|".join(
            _PARTS[row["part"]].format(re.escape(row["word"]).replace(r"\ ", " ?"))
            for row in rows("valve_words")
            if row["kind"] == kind
        )
    )
