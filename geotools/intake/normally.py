"""Normally: whether valves are open, by words and by marks as NC, and what NO, NF, NA, OFF are.

NO is no, of a column that says whether valves are open, or normally open, as in pairs with NC or
NF, which beside English words is not found. The other words of its column tell which; where they do
not, it is read as no, and told. So it is with NA, not available or normally open as in Spanish, and
OFF, off or open as in German. NÖ and NÅ, as of Swedish and Danish records, are N.O. in other
letters.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Set

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.intake.czech import what_no_is
from geotools.intake.values import NOTHING
from geotools.pipe.names import folded
from geotools.schema import NO, STATES, YES

__all__ = ["FIELD", "has_twofold", "normally", "says_closed", "state_remarks", "states"]

FIELD = "open"  # the field such marks are read in
# What a word is: as it says, with nothing said; another by the marks in the column, also though it
# holds words for yes; as it says for want of any word that tells.
PLAIN, MARKED, MIXED, DOUBTFUL = "", "marked", "mixed", "doubtful"
# Words of two meanings, and the state by the second: normally open, NA as in normalmente abierta,
# NF as in normalement fermé (else not found), OFF as in offen, NE as in Czech (beside ano).
TWOFOLD = {"no": 1.0, "na": 1.0, "nf": 0.0, "off": 1.0, "ne": 0.0}
# normalnie zamknięta, normal zu; normaal gesloten; normalt stängd; normalt lukket: so beside NO
SHUT_MARKS = ("nz", "ng", "ns", "nl")
TWOFOLD |= dict.fromkeys(SHUT_MARKS, 0.0)
_NORDIC = frozenset({"nö", "nå", "nø"})
# Words for normally, which may stand before open and closed. Common practice, no source.
_NORMALLY = (
    "normally", "normal", "normalement", "normalmente", "normalerweise", "normaal", "normalnie",
    "normalne", "normalt",
)  # fmt: skip
_SAID = {
    folded(word): state
    for (_, words), state in zip(STATES, (1.0, 0.0), strict=True)
    for word in words
}
OPEN, CLOSED = (frozenset(w for w, said in _SAID.items() if said == state) for state in (1.0, 0.0))
# Words for yes or no, and open, beside which NO is a no.
PLAINLY = frozenset((*map(folded, (*YES, *NO)), *OPEN)) - {"no", *CLOSED}
# Words for open beside which NO is no English, nor NS not stated; such beside which NF is closed,
# normalement fermé or normalmente fechada, and NO is no word for no
_OTHER_OPEN = OPEN - {"open", "opened"}
_FERME_OPEN = frozenset({"ouvert", "ouverte", "aberta", "aberto"})
# Words for closed beside which NF is no mark of it, but not found
_ENGLISH_SHUT = frozenset({"closed", "close", "shut", "normally closed"})
_GERMAN_SHUT = frozenset({"zu", "geschlossen", "verschlossen", "gesperrt", "abgesperrt"})
_GERMAN = _GERMAN_SHUT | {"auf", "offen", "geoffnet", "ja", "j", "nein", "wahr", "falsch"}
_BETWEEN = str.maketrans("", "", "./-_ ")
# What may stand beside a word for open or closed and leaves it that: valves, and fully or always.
# Common practice, no source.
_VALVES = (
    "valve", "ventil", "ventilen", "schieber", "absperrschieber", "armatur", "klappe", "vanne",
    "robinet", "valvula", "llave", "valvola", "saracinesca", "afsluiter", "schuif", "ventiel",
    "registro", "zasuwa", "zawor", "przepustnica", "soupe", "soupatko", "uzaver", "avstangning",
    "avstangningsventil", "skydeventil",
)  # fmt: skip
_FULLY = (
    "fully", "full", "always", "permanently", "completely", "ganz", "voll", "vollstandig",
    "vollig", "immer", "standig", "dauernd", "totalement", "completement", "toujours",
    "totalmente", "completamente", "siempre", "sempre", "permanentemente", "geheel", "volledig",
    "altijd", "calkowicie", "zawsze", "stale", "zcela", "plne", "trvale", "vzdy", "helt", "alltid",
    "altid",
)  # fmt: skip
_IDLE = frozenset((*_VALVES, *_FULLY, *_NORMALLY))
_MARKS = frozenset({"no", "nc", "nf", *SHUT_MARKS})
_LETTERS = re.compile(r"[^\W\d_]+")
_WITH_MARK = re.compile(r"(.+?)\s*\(\s*([^()]+?)\s*\)")


def has_twofold(texts: npt.NDArray[np.object_]) -> bool:
    """Tell whether a column holds a word of two meanings, as NO."""
    return any(_letters(word) in TWOFOLD for word in _words(texts))


def normally(texts: npt.NDArray[np.object_]) -> dict[str, str]:
    """Return what words of two meanings stand for in a column, by all its values.

    Each value once is enough. What is as it says is left out.
    """
    found = _words(texts)
    words = found - set(NOTHING)
    no, na = _no(words), _na(words | found & {"na"})
    marked = MARKED in (no, na) or any(_is_mark(word) and _letters(word) == "no" for word in words)
    meant = {"no": no, "na": na, "off": _off(words)}
    read = marked or (no == MIXED and _tells_open(words))
    letters = {_letters(word) for word in words}
    for mark in (mark for mark in ("nf", *SHUT_MARKS) if mark in letters):
        found_not = mark == "nf" and ("nc" in letters or not words.isdisjoint(_ENGLISH_SHUT))
        meant[mark] = MARKED if read and not found_not else DOUBTFUL
    if "nc" in letters:
        meant["nc"] = MARKED
    meant |= what_no_is(texts)
    return {word: how for word, how in meant.items() if how != PLAIN}


def says_closed(text: str) -> bool:
    """Tell whether a text says that a valve is closed, by a word or as N.C. does."""
    return _state(_word(text), {}) == 0.0


def states(texts: npt.NDArray[np.object_], meant: Mapping[str, str]) -> npt.NDArray[np.float64]:
    """Return 1 for what is said or marked to be open, 0 for closed, NaN for all other text.

    Words for yes and no are other text.

    Parameters
    ----------
    texts : ndarray of str objects, shape (n,)
    meant : mapping
        As of `normally`.
    """
    place, words = pd.factorize(texts)
    said = [_state(_word(str(word)), meant) for word in words]
    return np.array(said, dtype=np.float64)[place]


def state_remarks(
    name: str, texts: npt.NDArray[np.object_], meant: Mapping[str, str]
) -> list[tuple[str, str, str]]:
    """Return what is to be said of NO, NA and OFF in a column of this name; nothing where plain."""
    found = pd.Series(texts, dtype=object).astype(str).map(_word)
    shut = [mark for mark in ("nc", "nf", *SHUT_MARKS) if meant.get(mark) == MARKED]
    named = " and ".join(f"{mark[0]}.{mark[1]}.".upper() for mark in shut)
    out, marks = [], f" or marks ({named})" if named else ""
    for word in (word for word in ("no", "na", "off") if word in meant):
        letters = found if word == "no" else found.map(_letters)
        count, how = int((letters == word).sum()), meant[word]
        if count:
            where = f"on {count:,} features (column {name!r})"
            text = f"open is {word.upper()} {where}{_HOW[word, how].format(marks=marks)}"
            rule = "valve-state-doubtful" if how == DOUBTFUL else "valve-state-marked"
            out.append(("info" if how == MARKED else "warning", rule, text))
    return out


_WRITE = "write N.O. or open for valves normally open, N.C. or closed for those normally closed"
_BY_MARKS = (
    " and is read as normally open, since the column says by words{marks} which ones are closed"
)
_IF_NO = f"if it means no, {_WRITE}"
# How a word was read, and why
_HOW = {
    ("no", MARKED): f"{_BY_MARKS}; {_IF_NO}",
    ("no", MIXED): f"{_BY_MARKS}, though it also holds words for yes or no; {_IF_NO}",
    ("no", DOUBTFUL): ", and no other word in the column tells whether that means no or normally "
    "open; read as no, so that these valves are taken as normally closed; if it means normally "
    f"open, {_WRITE}",
    ("na", MARKED): f"{_BY_MARKS} and holds nothing else; if it means that nothing is known, "
    f"leave it empty; {_WRITE}",
    ("off", MARKED): " and is read as open, as offen is, since the column says in German which "
    f"ones are closed; if it means off, {_WRITE}",
    ("off", DOUBTFUL): ", and the other words in the column do not tell whether that means off or, "
    f"in German, open; read as off, so that these valves are taken as normally closed; {_WRITE}",
}


def _no(words: Set[str]) -> str:
    if "no" not in words:
        return PLAIN
    told = not words.isdisjoint(PLAINLY)
    if any(_is_mark(word) or _is_shut(word) for word in words):
        return MIXED if told else MARKED
    if any(_letters(word) in ("nf", *SHUT_MARKS) for word in words):
        return MARKED if not told else MIXED if _tells_open(words) else PLAIN
    if told:
        return PLAIN
    return DOUBTFUL if words.isdisjoint(CLOSED) else MARKED


def _tells_open(words: Set[str]) -> bool:
    """Tell whether words that say yes, no or open all say open, in no English."""
    ferme = any(_letters(word) == "nf" for word in words)
    others = _FERME_OPEN if ferme else _OTHER_OPEN
    return not words.isdisjoint(PLAINLY) and words & PLAINLY <= others


def _na(words: Set[str]) -> str:
    """Return what NA is: normally open where nothing but it and NC or NF are in the column."""
    letters = {_letters(word) for word in words}
    marked = "na" in letters and len(letters) > 1 and letters <= {"na", "nc", "nf"}
    return MARKED if marked else PLAIN


def _off(words: Set[str]) -> str:
    others = words - {"off"}
    if "off" not in words or "on" in others:
        return PLAIN
    if others & _GERMAN_SHUT and others.isdisjoint(PLAINLY):
        return MARKED
    plain = others and all(_is_known(word) for word in others) and others.isdisjoint(_GERMAN)
    return PLAIN if plain else DOUBTFUL


def _state(word: str, meant: Mapping[str, str]) -> float:
    letters = _letters(word)
    if _is_mark(word):
        return 1.0 if letters == "no" else 0.0
    if letters in TWOFOLD:
        return TWOFOLD[letters] if meant.get(letters) in (MARKED, MIXED) else np.nan
    if word in _SAID:
        return _SAID[word]
    ends = (letters.removeprefix(adverb) for adverb in _NORMALLY if letters.startswith(adverb))
    return next((_SAID[end] for end in (letters, *ends) if end in _SAID), _among_others(word))


def _among_others(word: str) -> float:
    """Return the state by a word for it among words for valves, or with a mark of it behind."""
    marked = _WITH_MARK.fullmatch(word)
    if marked:
        state, mark = _state(marked[1], {}), _letters(marked[2])
        agrees = state == (1.0 if mark == "no" else 0.0)
        return state if mark in _MARKS and agrees else np.nan
    parts = _LETTERS.findall(word)
    said = {_SAID[part] for part in parts if part in _SAID}
    idle = (part in _SAID or part in _IDLE for part in parts)
    plain = len(said) == 1 and not any(map(str.isdigit, word)) and "?" not in word and all(idle)
    return said.pop() if plain else np.nan


def _is_known(word: str) -> bool:
    """Tell whether a word is one for yes, no, open or closed, or a mark."""
    return word in PLAINLY or word == "no" or not np.isnan(_state(word, {}))


def _is_shut(word: str) -> bool:
    """Tell whether a word is one for normally closed, of more than one word, or has its mark."""
    said = _letters(word).startswith(_NORMALLY) or _WITH_MARK.fullmatch(word) is not None
    return said and word not in CLOSED and _state(word, {}) == 0.0


def _is_mark(word: str) -> bool:
    """Tell whether a word is NC, N.C. or N.O., however it is pointed; NO alone may be a no."""
    return word != "no" and _letters(word) in ("no", "nc")


def _letters(word: str) -> str:
    """Return a word without what stands between letters of marks; N/A is none."""
    return word if word == "n/a" else word.translate(_BETWEEN)


def _word(text: str) -> str:
    """Return a text as words are compared; NÖ, which is not NO, as N.O."""
    plain = unicodedata.normalize("NFC", text).casefold()
    return "n.o." if _letters(plain.strip()) in _NORDIC else folded(text)


def _words(texts: npt.NDArray[np.object_]) -> set[str]:
    return {_word(str(word)) for word in pd.unique(texts)}
