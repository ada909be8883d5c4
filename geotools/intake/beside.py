"""Files that lie beside another and have its name but for the ending, whatever the system's rules.

Where names in other case are the same file, a folder lists the one and a user may write the other.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Collection
from pathlib import Path

__all__ = ["alike", "named_as", "names_beside"]


def names_beside(path: Path) -> dict[str, str]:
    """Return the names in the folder of a file that begin as its own, as `named_as` does."""
    names = [file.name for file in path.parent.iterdir()]
    return named_as(path.stem, names, lambda name: path.with_name(name).exists())


def named_as(stem: str, names: Collection[str], is_there: Callable[[str], bool]) -> dict[str, str]:
    """Return which of a folder's names are a stem with an ending.

    Names in other case, or with accents put together otherwise, count where they are the same
    file: where the name that is meant is not listed, and there is a file under it all the same.

    Parameters
    ----------
    stem : str
    names : collection of str
        What the folder lists.
    is_there : callable
        Says of a name whether the system finds it in the folder.

    Returns
    -------
    dict of str to str
        The name as it is listed, and as it is with the stem as given.
    """
    listed, found = set(names), {}
    for name in names:
        for head, ending in _parted(name):
            meant = stem + ending
            if head == stem or (alike(head, stem) and meant not in listed and is_there(meant)):
                found[name] = meant
    return found


def alike(one: str, other: str) -> bool:
    """Say whether two names are one but for case and how accents are put together."""
    return _folded(one) == _folded(other)


def _parted(name: str) -> list[tuple[str, str]]:
    """Return a name parted before each of its points."""
    return [(name[:at], name[at:]) for at, letter in enumerate(name) if letter == "."]


def _folded(name: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())
