"""Names of columns that a Shapefile cut: ten bytes are stored, be they whole letters or not."""

from __future__ import annotations

import codecs
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

__all__ = ["Cut", "apart", "own_name", "utf8_names"]

_BYTES = 10  # a Shapefile cuts names of columns to these
_UTF8 = "utf-8"
# What GDAL puts at the end of a name that is there already, in the place of as many bytes.
_NUMBER = re.compile(rb"(?:_\d{1,2})?\Z")


@dataclass(frozen=True)
class Cut:
    """How names were cut: in which encoding, and which column is which of those stored."""

    encoding: str = _UTF8
    stored: Mapping[bytes, str] = field(default_factory=dict)

    def of(self, name: str) -> str:
        """Return the column in which a name is found, as it is called there."""
        head = name.encode(self.encoding, "replace")[:_BYTES]
        return self.stored.get(head) or own_name(head, self.encoding)


def own_name(stored: bytes, encoding: str) -> str:
    """Return a name as it is stored, without half a letter where it was cut.

    Raises
    ------
    UnicodeDecodeError
        If it is not in that encoding.
    """
    try:
        return stored.decode(encoding)
    except UnicodeDecodeError:
        if len(stored) != _BYTES:
            raise
    number = _NUMBER.search(stored)
    end = number.start() if number else _BYTES
    begun = codecs.getincrementaldecoder(encoding)().decode(stored[:end])
    return begun + stored[end:].decode("ascii")


def utf8_names(stored: Sequence[bytes], *, said: bool) -> list[str]:
    """Return names in UTF-8 some of which are cut within a letter, each one once; none if not.

    A byte that is half a letter of UTF-8 is a letter in others: that they are UTF-8 is ``said`` of
    them, or is told by letters that are whole.
    """
    try:
        names = [own_name(name, _UTF8) for name in stored]
    except UnicodeDecodeError:
        return []
    return apart(names) if said or not all(map(str.isascii, names)) else []


def apart(names: Sequence[str]) -> list[str]:
    """Return names with a number behind those that are alike by now."""
    taken, shown = set(names), []
    for name in names:
        own, number = name, 0
        while names.count(name) > 1 and own in taken:
            number += 1
            own = f"{name}_{number}"
        taken.add(own)
        shown.append(own)
    return shown
