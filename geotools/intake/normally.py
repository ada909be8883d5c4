"""Normally: whether valves are open by marks as NC, and what NO beside them, or alone, stands for.

NO is no, of a column that says whether valves are open, or normally open, as in pairs with NC. The
other words of its column tell which; where they do not, it is read as no, and told.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geotools.schema import NO, YES

__all__ = ["FIELD", "has_no", "normally", "says_closed", "state_remarks", "states"]

FIELD = "open"  # the field such marks are read in
# What NO is: no, with nothing said; normally open by the marks in the column, also though it holds
# words for yes; no for want of any word that tells.
PLAIN, MARKED, MIXED, DOUBTFUL = "", "marked", "mixed", "doubtful"
# Common practice, no source; of abbreviations the letters alone, whatever stands between.
NORMALLY = {"normallyopen": 1.0, "normalopen": 1.0, "normallyclosed": 0.0, "normalclosed": 0.0}
CLOSED = ("closed", "close", "shut")
# Words for yes or no, and open, beside which NO is a no.
PLAINLY = frozenset((*YES, *NO)) - {"no", *CLOSED}
_BETWEEN = str.maketrans("", "", "./-_ ")


def has_no(texts: npt.NDArray[np.object_]) -> bool:
    """Tell whether a column holds the word NO."""
    return "no" in _words(texts)


def normally(texts: npt.NDArray[np.object_]) -> str:
    """Return what NO stands for in a column, by all its values; each once is enough."""
    words = _words(texts)
    if "no" not in words:
        return PLAIN
    told = any(word in PLAINLY for word in words)
    if any(_is_mark(word) or _state(word, PLAIN) == 0.0 for word in words):
        return MIXED if told else MARKED
    if told:
        return PLAIN
    return MARKED if any(word in CLOSED for word in words) else DOUBTFUL


def says_closed(text: str) -> bool:
    """Tell whether a text says that a valve is closed, by a word or as N.C. does."""
    word = text.strip().lower()
    return word in CLOSED or _state(word, PLAIN) == 0.0


def states(texts: npt.NDArray[np.object_], no: str) -> npt.NDArray[np.float64]:
    """Return 1 for what is marked normally open, 0 for normally closed, NaN for all other text.

    Parameters
    ----------
    texts : ndarray of str objects, shape (n,)
    no : str
        As of `normally`.
    """
    words, inverse = np.unique(_folded(texts), return_inverse=True)
    said = np.array([_state(str(word), no) for word in words], dtype=np.float64)
    return said[inverse]


def state_remarks(name: str, texts: npt.NDArray[np.object_], no: str) -> list[tuple[str, str, str]]:
    """Return what is to be said of NO in a column of this name; nothing where it is plain."""
    if no == PLAIN:
        return []
    count = int((_folded(texts) == "no").sum())
    write = "write N.O. or open for valves normally open, N.C. or closed for those normally closed"
    if no == DOUBTFUL:
        text = (
            f"open is NO on {count:,} features (column {name!r}), and no other word in the column "
            "tells whether that means no or normally open; read as no, so that these valves are "
            f"taken as normally closed; if it means normally open, {write}"
        )
        return [("warning", "valve-state-doubtful", text)]
    beside = ", though it also holds words for yes or no" if no == MIXED else ""
    text = (
        f"open is NO on {count:,} features (column {name!r}) and is read as normally open, since "
        f"the column says by words or marks (N.C.) which ones are closed{beside}; if it means no, "
        f"{write}"
    )
    return [("warning" if no == MIXED else "info", "valve-state-marked", text)]


def _state(word: str, no: str) -> float:
    if word == "no":
        return 1.0 if no in (MARKED, MIXED) else np.nan
    letters = word.translate(_BETWEEN)
    if _is_mark(word):
        return 1.0 if letters == "no" else 0.0
    return NORMALLY.get(letters, np.nan)


def _is_mark(word: str) -> bool:
    """Tell whether a word is NC, N.C. or N.O., however it is pointed; NO alone may be a no."""
    return word != "no" and word.translate(_BETWEEN) in ("no", "nc")


def _words(texts: npt.NDArray[np.object_]) -> set[str]:
    return set(np.unique(_folded(texts)).tolist())


def _folded(texts: npt.NDArray[np.object_]) -> npt.NDArray[np.str_]:
    return np.strings.lower(texts.astype(np.str_))
