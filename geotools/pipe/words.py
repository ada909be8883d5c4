"""Words for the material of an old main, as records write them."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import cache
from itertools import pairwise

from geotools.pipe._tables import rows
from geotools.pipe.names import folded

__all__ = ["code_of", "is_of", "kind_of"]

_PARTS = re.compile(r"[^\W\d_]+|\d+")
_CODE = 3  # letters; a word of no more is a code, which means something else in a sentence
# What stands beside a code of a material and says nothing of which it is: pipes, sizes, classes, a
# lining of mortar (ZM).
_BESIDE = frozenset({
    "class", "cl", "k", "c", "sdr", "dr", "pn", "dn", "od", "id", "sn", "rc", "mm", "in", "pipe",
    "pipes", "main", "rohr", "rohre", "leitung", "tube", "tuyau", "conduite", "tubo", "tuberia",
    "tubazione", "condotta", "buis", "leiding", "rura", "trubka", "potrubi", "ror", "zm", "zma",
})  # fmt: skip
_SURE = frozenset({"pvc"})  # short, and no code: it means nothing else anywhere
_NO_CODE = frozenset({"di", "si", "st"})  # words of sentences (of, yes; saint, street) as well
# the two ways of casting grey iron: one that names the way says more than one that does not
_CAST = {frozenset({"cast_iron", way}): way for way in ("pit_cast", "spun_cast")}
_GREY = frozenset({"cast_iron", "pit_cast", "spun_cast"})
_DUCTILE = "ductile_iron"
# Words for a coat, of steel where they stand alone; ductile iron is galvanised, too.
_COATS = frozenset({("galv",), ("galvanized",), ("galvanised",)})
# Words of Spanish that are Portuguese or Italian, too; each stands in the table once.
_SHARED = frozenset({"amianto", "concreto", "polietileno"})
_OTHER = "unknown"  # a material, but none there is a table of bores for
# What makes ductile iron of cast iron, begun so or written so; not "duct", which is a pipe in
# English and, as "ducto", in Spanish. A word that ends in "guss" is a material by itself.
_MARK = re.compile(
    r"(?:spheroid|spharo|sfero|esfero|nodul|kugelgra[pf]h?it|kulick|ductil|ductiel|duktil|duttil"
    r"|tvarn)(?!\w*guss)\w*|sg|ggg|gjs|dukt|dutt|nod|segt|sejt|sfer|spher|tvar"
)
# Words that tell that "di" beside them is no Italian "of".
_ENGLISH = frozenset({"iron", "spun"})
# What tells that a mark is of another main than the cast iron beside it, or of none.
_APART = re.compile(r"[/+&|;]")
_OR_NOT = frozenset({
    "or", "and", "und", "oder", "ou", "et", "y", "e", "o", "lub", "nebo", "eller", "og", "och",
    "not", "non", "no", "nicht", "niet", "nie", "ikke", "inte",
})  # fmt: skip


def kind_of(text: str) -> str:
    """Return what kind of main a text names, "" if none or more than one.

    Case, marks on letters, and spaces, hyphens and points between letters do not matter. Known
    words may stand among others (``ductile iron pipe``), the longest count; codes of two or three
    letters count beside numbers and classes alone (``PE 100 SDR 11``). Cast iron beside a mark of
    ductility (``nodular``, ``GGG``) is ductile iron; beside a part that is neither known nor one of
    those that say nothing (``data/host_idle.csv``: joints, linings, classes) it may be, and names
    no kind.

    Parameters
    ----------
    text : str
        As a record has it.

    Returns
    -------
    str
        A kind of ``data/host_words.csv``: one of ``host.KINDS`` or ``cast_iron``; ``unknown`` where
        a material is named of which there is no table of bores.
    """
    parts = tuple(_PARTS.findall(folded(text)))
    whole = _joined().get("".join(parts))
    if whole is not None:
        return whole
    words, codes = _by_parts()
    found = _within(parts, words)
    if not found:
        return _by_code(parts, codes)
    faint = [word for word in found if word in _COATS or words[word] == _OTHER]
    if len(faint) == len(found):
        return _beside_faint(parts, faint, words, codes)
    found = [word for word in found if word not in _COATS]
    kinds = {words[word] for word in found}
    kinds |= {codes[(part,)] for part in parts if (part,) in codes and part not in _NO_CODE}
    kinds -= {_OTHER}  # HDPE with copper wire
    if kinds <= _GREY | {_DUCTILE}:
        kinds = _irons(text, parts, {word: words[word] for word in found}, kinds)
    kinds = {_CAST.get(frozenset(kinds), "")} - {""} or kinds
    if kinds <= _GREY and _is_doubted(parts, found):
        return ""
    return kinds.pop() if len(kinds) == 1 else ""


def code_of(text: str) -> str:
    """Return the letters of a text without numbers, sizes and classes: ``fd`` of FD 400 K9."""
    return "".join(_named(_PARTS.findall(folded(text))))


def is_of(language: str, text: str) -> bool:
    """Tell whether a text names a material by a word of one language and of no other."""
    words, parts = _words_of(language), _PARTS.findall(folded(text))
    return code_of(text) in words or bool(_within(parts, {(word,): "" for word in words}))


def _beside_faint(
    parts: Sequence[str],
    faint: Sequence[tuple[str, ...]],
    words: Mapping[tuple[str, ...], str],
    codes: Mapping[tuple[str, ...], str],
) -> str:
    """Return the kind of the code beside words that say little, of these where there is none."""
    said = {part for word in faint for part in word}
    rest = [part for part in parts if part not in said]
    coded = [part for part in rest if (part,) in codes]
    kinds = {codes[(part,)] for part in coded}
    if not _NO_CODE.isdisjoint(coded):
        return _by_code(rest, codes)
    kinds = kinds or {words[word] for word in faint}
    return kinds.pop() if len(kinds) == 1 else ""


def _by_code(parts: Sequence[str], codes: Mapping[tuple[str, ...], str]) -> str:
    """Return the kind of a code beside which nothing stands but numbers, sizes and classes."""
    return codes.get(tuple(_named(parts)), "")


def _named(parts: Sequence[str]) -> list[str]:
    return [part for part in parts if not part.isdigit() and part not in _BESIDE]


def _irons(
    text: str, parts: Sequence[str], found: Mapping[tuple[str, ...], str], kinds: set[str]
) -> set[str]:
    """Return the kinds of iron that a text names, which names no other material.

    ``found`` are the words in it and their kinds.
    """
    cast = {word for word, kind in found.items() if kind in _GREY}
    if any(kind == _DUCTILE and not _is_mark(word) for word, kind in found.items()):
        only_spun = cast == {("spun",)} and kinds == {"spun_cast", _DUCTILE}
        return {_DUCTILE} if only_spun else kinds  # ductile iron is spun, too
    marked = any(_is_mark((part,)) for part in parts)
    marked |= "di" in parts and not _ENGLISH.isdisjoint(parts)
    if not cast or not marked:
        return kinds
    return (
        {_DUCTILE, *kinds} if _APART.search(text) or not _OR_NOT.isdisjoint(parts) else {_DUCTILE}
    )


def _is_mark(word: tuple[str, ...]) -> bool:
    return len(word) == 1 and _MARK.fullmatch(word[0]) is not None


def _is_doubted(parts: Sequence[str], found: Sequence[tuple[str, ...]]) -> bool:
    """Tell whether beside words for cast iron stands what may say that it is ductile.

    D is a size before a number, and a class (of 1908) of what English calls iron.
    """
    said = {part for word in found for part in word} | {part for part in parts if part.isdigit()}
    said |= {part for (part, *rest) in _by_parts()[1] if not rest}
    sized = {part for part, then in pairwise(parts) if then.isdigit()}
    said |= {"d"} & (sized | ({"d"} if "iron" in parts else set()))
    words, stems = _idle()
    return any(
        part not in said and part not in words and not part.startswith(stems) for part in parts
    )


def _within(parts: Sequence[str], words: Mapping[tuple[str, ...], str]) -> list[tuple[str, ...]]:
    """Return the words among the parts of a text, none part of a longer one."""
    longest = max(map(len, words))
    found: list[tuple[str, ...]] = []
    at = 0
    while at < len(parts):
        for size in range(longest, 0, -1):
            word = tuple(parts[at : at + size])
            if word in words and at + size <= len(parts):
                found.append(word)
                at += size
                break
        else:
            at += 1
    return found


@cache
def _idle() -> tuple[frozenset[str], tuple[str, ...]]:
    """Return words that say nothing beside one for cast iron, and beginnings of such."""
    every = {word for row in rows("host_idle") for word in row["words"].split()}
    stems = tuple(word[:-1] for word in sorted(every) if word.endswith("*"))
    return frozenset(every) | _BESIDE, stems


@cache
def _joined() -> dict[str, str]:
    """Return the kinds by the letters and digits of each word, in one."""
    return {"".join(parts): kind for parts, kind in _table()}


@cache
def _words_of(language: str) -> frozenset[str]:
    """Return the words of a language, of letters alone, that are of no other one."""
    joined: dict[bool, set[str]] = {True: set(), False: set()}
    for row in rows("host_words"):
        joined[row["source"].startswith(language)].add("".join(_PARTS.findall(folded(row["word"]))))
    return frozenset(joined[True] - joined[False] - _SHARED)


@cache
def _by_parts() -> tuple[dict[tuple[str, ...], str], dict[tuple[str, ...], str]]:
    """Return the kinds by the parts of each word, those of words and those of codes."""
    words: dict[tuple[str, ...], str] = {}
    codes: dict[tuple[str, ...], str] = {}
    for parts, kind in _table():
        code = sum(len(part) for part in parts if not part.isdigit()) <= _CODE
        code &= parts[0] not in _SURE
        (codes if code else words)[parts] = kind
        codes |= {("".join(parts),): kind} if code else {}
    return words, codes


def _table() -> list[tuple[tuple[str, ...], str]]:
    return [(tuple(_PARTS.findall(folded(row["word"]))), row["kind"]) for row in rows("host_words")]
