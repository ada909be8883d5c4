"""Words for the kind of a valve, as records write them: what shuts a main, what does not."""

from __future__ import annotations

from functools import lru_cache

from geotools.pipe._patterns import pattern
from geotools.pipe.names import spaced

__all__ = ["is_stuck", "valve_kind"]


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
        if pattern("valve_words", kind).search(plain):
            return kind
    return ""


@lru_cache(maxsize=65536)
def is_stuck(text: str) -> bool:
    """Tell whether the kind of a valve says that it cannot be moved, or not be found."""
    return pattern("valve_words", "stuck").search(_plain(text)) is not None


def _plain(text: str) -> str:
    """Return a kind in plain words, without those that only seem to say what a valve is."""
    return pattern("valve_words", "sound").sub(" ", spaced(text)).strip()
