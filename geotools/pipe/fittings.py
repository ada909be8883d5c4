"""Words for the kind of a fitting, as records write them: what turns a main, what ends it."""

from __future__ import annotations

from functools import lru_cache

from geotools.pipe._patterns import pattern
from geotools.pipe.names import spaced

__all__ = ["fitting_kind"]


@lru_cache(maxsize=65536)
def fitting_kind(text: str) -> str:
    """Return what a fitting is by its kind.

    Parameters
    ----------
    text : str
        As a record has it, in one of the languages of ``data/fitting_words.csv``; case, marks on
        letters, and what stands between words do not matter.

    Returns
    -------
    str
        ``bend`` if it turns the main; ``cap`` if the main ends at it; ``other`` if it does
        neither, or has a cap but goes on, or lies beside the main, as a capped tee (``through``
        in the table); "" if no word of it is known.
    """
    plain = spaced(text)
    for kind, meaning in (
        ("bend", "bend"),
        ("through", "other"),
        ("cap", "cap"),
        ("other", "other"),
    ):
        if pattern("fitting_words", kind).search(plain):
            return meaning
    return ""
