"""Lists of words as text: as a brief writes them, or with commas between them."""

from __future__ import annotations

import json
import tomllib
import unicodedata
from collections.abc import Collection, Iterable, Sequence
from typing import Any

__all__ = ["as_compared", "as_spelled", "list_from_text", "list_text", "listed", "words_apart"]


def as_compared(words: Iterable[str]) -> list[str]:
    """Return names of columns and layers as compared: without case and the spaces around them.

    A letter and its mark may be one sign or two, which look alike. Words are `folded`.
    """
    return [unicodedata.normalize("NFC", word).strip().casefold() for word in words]


def as_spelled(name: str, known: Collection[str]) -> str:
    """Return a name as it is among the known ones; itself where none of them looks the same."""
    if name in known:
        return name
    plain = unicodedata.normalize("NFC", name)
    return next((k for k in known if unicodedata.normalize("NFC", k) == plain), name)


def listed(names: Sequence[str], *, most: int | None = None) -> str:
    """Return the first of many names, and how many more there are; all if ``most`` is not given."""
    more = len(names) - (len(names) if most is None else most)
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")


def list_text(words: Iterable[object]) -> str:
    """Return words as an array of TOML, which holds any word: also one with commas or quotes.

    Parameters
    ----------
    words : iterable
        Each as its text.

    Returns
    -------
    str
        Such as ``["abandoned", "out of service"]``.
    """
    # JSON's strings are TOML's but for one sign that TOML wants escaped
    quoted = (json.dumps(str(word), ensure_ascii=False) for word in words)
    return f"[{', '.join(quoted)}]".replace("\x7f", "\\u007f")


def list_from_text(text: str) -> list[Any]:
    """Return a list written as in a brief, or as words with commas between them.

    Parameters
    ----------
    text : str
        Such as ``["a", "b"]`` or ``a, b``.

    Returns
    -------
    list
        What the array holds, or the words without the spaces around them.

    Raises
    ------
    ValueError
        If it is neither: a bracket or a quote that belongs to no list would become part of a word.
    """
    text = text.strip()
    if text.startswith("["):
        try:
            table = tomllib.loads(f"list = {text}")
        except (ValueError, RecursionError):
            table = {}
        if list(table) == ["list"] and isinstance(table["list"], list):
            return table["list"]
    words = [word.strip() for word in text.split(",") if word.strip()]
    if any(word[0] in "[\"'" or word[-1] in "]\"'" for word in words):
        shown = repr(text)
        raise ValueError(
            f"{shown if len(shown) <= 80 else f'{shown[:77]}...'} is no list; write words with "
            'commas between them (a, b), or a list as in a brief (["a", "b"])'
        )
    return words


def words_apart(texts: Iterable[Any]) -> list[Any]:
    """Return names given one by one, or several in a text with commas between them.

    What is no text comes back as it is; what is empty between commas does not.

    Raises
    ------
    ValueError
        If a text names nothing: it would stand for all, and may be a variable that is not set.
    """
    texts = list(texts)
    if bare := [text for text in texts if isinstance(text, str) and not text.strip(", \t\r\n")]:
        raise ValueError(f"{bare[0]!r} names nothing; say what is meant, or leave it out")
    parts = [text.split(",") if isinstance(text, str) else [text] for text in texts]
    words = [word.strip() if isinstance(word, str) else word for part in parts for word in part]
    return [word for word in words if word != ""]
