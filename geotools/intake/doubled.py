"""Streets that are in their layer twice, as where tiles were merged: one of them is kept."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotools.intake.duplicates import duplicate_groups
from geotools.intake.lines import Parts, keep_parts
from geotools.intake.notes import Note, note

__all__ = ["without_doubles"]

IntArray = npt.NDArray[np.int64]
Names = npt.NDArray[Any]
TEXTS = ("class", "name", "oneway")
NUMBERS = ("lanes", "width", "speed")  # the largest counts


def without_doubles(parts: Parts, table: pd.DataFrame, names: Names) -> tuple[Parts, list[Note]]:
    """Keep one of the streets with the same vertices, either way; each of the others is a note.

    Two of them would make an intersection of each of their ends. The one of the most lanes stays,
    then the widest, the fastest, the one with the fullest record, the first by its texts, and by
    where it begins: it may not hang on the order of the features.

    Parameters
    ----------
    parts : Parts
        Coordinates in m.
    table : DataFrame
        The layer as read; ``parts.row`` are its rows.
    names : ndarray of object
        Name of each of those rows.
    """
    group = duplicate_groups(parts)
    member = np.flatnonzero(np.bincount(group, minlength=len(parts))[group] > 1)
    if not len(member):
        return parts, []
    ordered = member[_in_order(parts, table.iloc[parts.row[member]], member, group[member])]
    first = np.flatnonzero(np.diff(group[ordered], prepend=-1))
    keeper = np.repeat(ordered[first], np.diff(first, append=len(ordered)))
    twin = ordered != keeper
    lost, kept = ordered[twin], parts.row[keeper[twin]]
    notes = note(
        "warning",
        "duplicate-street",
        parts.row[lost],
        _texts(table, names, parts.row[lost], kept),
        every=True,
    )
    return keep_parts(parts, np.setdiff1d(np.arange(len(parts)), lost)), notes


def _in_order(parts: Parts, some: pd.DataFrame, member: IntArray, group: IntArray) -> IntArray:
    """Return the order of lines by group, the one that stays first."""
    begin = parts.xy[parts.offsets[member]]
    texts = [some[name].fillna("").astype(str).to_numpy(dtype=str) for name in TEXTS]
    numbers = [-some[name].astype(float).fillna(0.0).to_numpy(dtype=float) for name in NUMBERS]
    blank = (some.isna() | (some == "")).sum(axis=1).to_numpy()
    keys = [group, *numbers, blank, *texts, *begin.T, parts.row[member]]
    return np.asarray(np.lexsort(keys[::-1]), dtype=np.int64)


def _texts(table: pd.DataFrame, names: Names, lost: IntArray, kept: IntArray) -> list[str]:
    """Say of each street set aside which was kept, and in what their records differ."""
    fields = [name for name in (*NUMBERS, *TEXTS) if name in table]
    one, other = (table[fields].iloc[rows].reset_index(drop=True) for rows in (lost, kept))
    differ = ((one != other) & ~(one.isna() & other.isna())).to_numpy(dtype=bool)
    told = []
    for name, unlike in zip(names[kept], differ, strict=True):
        words = ", ".join(np.array(fields)[unlike])
        records = f" (their records differ in {words})" if words else ""
        told.append(
            f"has the same vertices as {name}, which was kept; set aside{records}; delete the one "
            "that is not there"
        )
    return told
