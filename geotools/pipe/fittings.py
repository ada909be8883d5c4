"""Words for the kind of a fitting, as records write them: what turns a main, what ends it."""

from __future__ import annotations

import re
from functools import cache, lru_cache

from geotools.pipe._patterns import found, pattern
from geotools.pipe._tables import rows
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
    if _english().search(plain):
        plain = _short().sub(" ", plain).strip()
    for kind, meaning in (
        ("bend", "bend"),
        ("through", "other"),
        ("cap", "cap"),
        ("other", "other"),
    ):
        if pattern("fitting_words", kind).search(plain):
            return meaning
    return ""


@cache
def _english() -> re.Pattern[str]:
    """Return what finds an English word for a kind, of more than a letter."""
    words = (r for r in rows("fitting_words") if r["source"].startswith("English"))
    return re.compile("|".join(found(r) for r in words if len(r["word"]) > 1))


@cache
def _short() -> re.Pattern[str]:
    """Return what finds the short words of other languages, which give way to English ones.

    Not where they have what stands beside them: TE COM CAP is a capped tee.
    """
    words = "|".join(r["word"] for r in rows("fitting_words") if r["part"] == "aside")
    return re.compile(rf"\b(?:{words})\b(?! (?:a|avec|com|con|e|et|med|met|mit|und|y|z)\b)")
