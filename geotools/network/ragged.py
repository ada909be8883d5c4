"""Ragged columns: many polylines in one array of vertices with offsets."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.intake.ragged import (
    lengths_along,
    line_lengths,
    measures,
    offsets_of,
    take,
)
from geotools.intake.ragged import line_of_vertex as row_of

__all__ = [
    "BoolArray",
    "FloatArray",
    "IntArray",
    "firsts",
    "greatest_so_far",
    "in_blocks",
    "lengths_along",
    "line_lengths",
    "linestrings_at",
    "measures",
    "members_of",
    "number_within",
    "offsets_of",
    "pairs_within",
    "row_of",
    "rows_of",
    "spread_out",
    "stretch_sums",
    "take",
    "to_linestrings",
]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


def spread_out(counts: IntArray) -> tuple[IntArray, IntArray]:
    """Return each row as often as counted, and a number from 0 for each time."""
    row = np.repeat(np.arange(len(counts)), counts)
    return row, np.arange(len(row)) - offsets_of(counts)[row]


def in_blocks(counts: IntArray, most: int) -> Iterator[IntArray]:
    """Yield rows, some at once: less than ``most`` by their counts, and what one row is over."""
    block = (np.cumsum(counts) - counts) // most
    if len(block):
        yield from np.split(np.arange(len(block)), np.flatnonzero(firsts(block))[1:])


def number_within(group: IntArray) -> IntArray:
    """Return the number of each row within its group, from 0; ``group`` is sorted."""
    return np.asarray(np.arange(len(group)) - np.searchsorted(group, group), dtype=np.int64)


T = TypeVar("T")


def rows_of(columns: T, rows: IntArray) -> T:
    """Take rows of every array of a dataclass of arrays, all of one length."""
    names = [field.name for field in dataclasses.fields(columns)]  # type: ignore[arg-type]
    taken: dict[str, Any] = {name: getattr(columns, name)[rows] for name in names}
    return dataclasses.replace(columns, **taken)  # type: ignore[type-var]


def firsts(*keys: npt.NDArray[Any]) -> BoolArray:
    """Return which rows differ from the row before in any of the keys, the first row too."""
    first = np.ones(len(keys[0]), dtype=bool)
    first[1:] = keys[0][1:] != keys[0][:-1]
    for key in keys[1:]:
        first[1:] |= key[1:] != key[:-1]
    return first


def members_of(wanted: IntArray, owner: IntArray, count: int) -> tuple[IntArray, IntArray]:
    """Return for each wanted owner, of so many, all its rows: the place among those wanted, row."""
    order = np.argsort(owner, kind="stable")
    offsets = offsets_of(np.bincount(owner, minlength=count).astype(np.int64))
    return np.repeat(np.arange(len(wanted)), np.diff(offsets)[wanted]), order[take(offsets, wanted)]


def pairs_within(group: IntArray, chosen: BoolArray) -> IntArray:
    """Return all pairs of the chosen rows that are of one group, shape (k, 2)."""
    rows = np.flatnonzero(chosen)
    rows = rows[np.argsort(group[rows], kind="stable")]
    place = number_within(group[rows])
    pairs = [np.zeros((0, 2), dtype=np.int64)]
    for back in range(1, int(place.max(initial=0)) + 1):
        late = np.flatnonzero(place >= back)
        pairs.append(np.stack([rows[late - back], rows[late]], axis=1))
    return np.concatenate(pairs).astype(np.int64)


def greatest_so_far(values: FloatArray, row: IntArray) -> FloatArray:
    """Return the greatest value so far in its row; ``row`` is sorted."""
    out, step = values.copy(), 1
    while step < len(out) and (row[step:] == row[:-step]).any():
        ahead = np.where(row[step:] == row[:-step], out[:-step], -np.inf)
        out[step:] = np.maximum(out[step:], ahead)
        step *= 2
    return out


def stretch_sums(starts: IntArray, *columns: FloatArray) -> Iterator[FloatArray]:
    """Yield the sums of columns over stretches of rows, each up to the start of the next."""
    count = len(columns[0])
    group = np.repeat(np.arange(len(starts)), np.diff(starts, append=count))
    # pandas makes up for what rounding loses of a long sum, as numpy's reduceat does not
    sums = pd.DataFrame(dict(enumerate(columns))).groupby(group, sort=False).sum()
    yield from sums.to_numpy(dtype=float).T


def to_linestrings(xy: FloatArray, offsets: IntArray) -> npt.NDArray[np.object_]:
    """Return shapely lines; used only for what is indexed, written or drawn."""
    if len(offsets) < 2:
        return np.zeros(0, dtype=object)
    lines: npt.NDArray[np.object_] = shapely.linestrings(xy, indices=row_of(offsets))
    return lines


def linestrings_at(xy: FloatArray, offsets: IntArray, rows: IntArray) -> npt.NDArray[np.object_]:
    """Return the shapely lines of these rows, made once however often a row is asked for."""
    own, place = np.unique(rows, return_inverse=True)
    vertices = take(offsets, own)
    return to_linestrings(xy[vertices], offsets_of(np.diff(offsets)[own]))[place]
