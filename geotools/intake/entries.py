"""Entries of a GeoJSON file's features that are none, which GDAL passes over without a word.

They are found in the bytes of the file: brackets, commas and quotes are counted by columns, some
of the file at a time, and no number or text of it is read.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from geotools.intake.digest import state_of
from geotools.intake.place import Place
from geotools.lists import listed

__all__ = ["passed_over", "passed_over_text"]

IntArray = npt.NDArray[np.int64]

_CHUNK = 2**18  # bytes looked through at a time
_NAMED = 10  # numbers of entries in a text
_OPEN, _CLOSE, _COMMA = 1, -1, 2
_KINDS = np.zeros(256, dtype=np.int8)  # of bytes that part what is in a file
_KINDS[[*b"[{"]], _KINDS[[*b"]}"]], _KINDS[[*b","]] = _OPEN, _CLOSE, _COMMA
_START = re.compile(rb'"features"\s*:\s*\[')
_FEATURE = re.compile(rb'"type"\s*:\s*"Feature"')
_INSIDE = 2  # how deep the entries of the features lie: in a list in an object


def passed_over(driver: str, place: Place, count: int) -> tuple[int, ...]:
    """Return the numbers, from 1, of entries that are no features.

    Parameters
    ----------
    driver : str
        Of GDAL; of others than GeoJSON, and of what is packed, nothing is looked for.
    place : Place
    count : int
        Features that GDAL finds, -1 if it does not say. If these are all, none is passed over.
    """
    path = place.path
    if driver != "GeoJSON" or path is None or not path.is_file() or Path(place.target) != path:
        return ()
    numbers, entries = _looked_through(path, state_of(path))
    return numbers if count < 0 or len(numbers) == entries - count else ()


def passed_over_text(numbers: Sequence[int], features: int) -> str:
    """Say which entries were passed over beside so many features, and what to do."""
    named = listed([str(n) for n in numbers], most=_NAMED)
    return (
        f"{len(numbers)} of {len(numbers) + features} entries of the list of features are none and "
        f'were passed over: by their number in it {named}; a feature has "type": "Feature"; mend '
        "them or delete them"
    )


@lru_cache(maxsize=16)  # windows of a batch have the same file
def _looked_through(path: Path, state: object) -> tuple[tuple[int, ...], int]:
    """Return the numbers of entries that are no features, and how many entries there are."""
    look = _Look()
    with path.open("rb") as stream:
        for part in _parts(iter(lambda: stream.read(_CHUNK), b"")):
            look.go_on(part)
            if look.ended:
                break
    entries = look.entry + 1 if look.begun and look.filled else 0
    features = np.concatenate([np.empty(0, dtype=np.int64), *look.features])
    over = np.setdiff1d(np.arange(entries), features) + 1
    return tuple(over.tolist()), entries


def _parts(chunks: Iterator[bytes]) -> Iterator[bytes]:
    """Return the bytes in parts that end at a bracket or comma: within no word that is looked for.

    Nor do they end after a backslash.
    """
    kept = b""
    for chunk in chunks:
        kept += chunk
        end = max(chunk.rfind(sign) for sign in (b"[", b"]", b"{", b"}", b","))
        if end >= 0:
            cut = len(kept) - len(chunk) + end + 1
            yield kept[:cut]
            kept = kept[cut:]
    yield kept


@dataclass
class _Look:
    """How far a file was looked through: how deep, in which entry, within a text or not.

    ``features`` are entries that say that they are one. ``filled`` tells that there is an entry.
    """

    depth: int = 0
    within: bool = False
    begun: bool = False
    ended: bool = False
    filled: bool = False
    entry: int = 0
    features: list[IntArray] = field(default_factory=list)

    def go_on(self, part: bytes) -> None:
        """Look through the next part."""
        codes = np.frombuffer(part, dtype=np.uint8)
        quotes = _quotes(codes)
        kinds = _KINDS.take(codes)
        places = np.flatnonzero(kinds != 0)
        outside = np.searchsorted(quotes, places) % 2 == self.within
        places = places[outside]
        kinds = kinds[places]
        depths = self.depth + np.cumsum(np.where(kinds == _COMMA, 0, kinds), dtype=np.int64)
        first, last = self._span(part, places, kinds, depths)
        if first < last:
            self._count(part, first, places[:last], kinds[:last], depths[:last])
        self.depth = int(depths[-1]) if len(depths) else self.depth
        self.within ^= bool(len(quotes) % 2)

    def _span(
        self, part: bytes, places: IntArray, kinds: npt.NDArray[np.int8], depths: IntArray
    ) -> tuple[int, int]:
        """Return which of the places lie in the list of features, and whether it begins or ends."""
        first = 0
        if not self.begun:
            starts = np.array([found.end() - 1 for found in _START.finditer(part)], dtype=np.int64)
            known = np.flatnonzero(np.isin(places, starts) & (depths == _INSIDE))
            if not len(known):
                return 0, 0
            self.begun, first = True, int(known[0]) + 1
        ends = np.flatnonzero((kinds[first:] == _CLOSE) & (depths[first:] < _INSIDE))
        self.ended = len(ends) > 0
        return first, first + int(ends[0]) if self.ended else len(places)

    def _count(
        self,
        part: bytes,
        first: int,
        places: IntArray,
        kinds: npt.NDArray[np.int8],
        depths: IntArray,
    ) -> None:
        """Count entries by the commas between them, and mark those that are features.

        The list holds the places from the first on; all before are of it as well if that is 0.
        """
        self.filled = True
        between = (kinds == _COMMA) & (depths == _INSIDE)
        between[:first] = False
        commas = np.concatenate([[0], np.cumsum(between)])
        said = np.array([found.start() for found in _FEATURE.finditer(part)], dtype=np.int64)
        said = said[said < places[-1]]
        said = said[said > places[first]] if first else said
        before = np.searchsorted(places, said)
        own = before[np.concatenate([[self.depth], depths])[before] == _INSIDE + 1]
        self.features.append(np.unique(self.entry + commas[own]))
        self.entry += int(commas[-1])


def _quotes(codes: npt.NDArray[np.uint8]) -> IntArray:
    """Return where texts begin and end: quotes but those after an odd number of backslashes."""
    quotes = np.flatnonzero(codes == ord('"'))
    slashes = np.flatnonzero(codes == ord("\\"))
    if not len(slashes):
        return quotes
    starts = np.flatnonzero(np.diff(slashes, prepend=-2) != 1)
    lengths = np.diff(starts, append=len(slashes))
    ends = slashes[starts + lengths - 1]
    return np.setdiff1d(quotes, ends[lengths % 2 == 1] + 1, assume_unique=True)
