"""Identifiers of mains: every one there and unique, whatever the order in the file."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.intake.notes import Note, note

__all__ = ["SEPARATOR", "UNREADABLE", "renamed_ids", "unique_ids"]


SEPARATOR = ","  # of lists of identifiers in the layers written
UNREADABLE = "\N{REPLACEMENT CHARACTER}"
LOST = (
    "; letters of it could not be read, so that identifiers that differ in them look alike: the "
    "file is in another encoding than it says; state it in the brief, beside the source, with "
    'encoding = "Windows-1252" or whatever it is'
)


def unique_ids(
    ids: npt.NDArray[Any],
    fids: npt.NDArray[Any],
    geometry: npt.NDArray[Any],
    *,
    known: Mapping[str, str] | None = None,
) -> tuple[npt.NDArray[Any], list[Note]]:
    """Fill missing identifiers and tell equal ones apart.

    Of features with one identifier the order is that of their geometry, so it does not
    depend on the order in the file: the westernmost keeps it, the next get ``#2``, ``#3``, ...

    Parameters
    ----------
    ids : ndarray of str objects, shape (n,)
        As read; "" where missing.
    fids : ndarray of str objects, shape (n,)
        Numbers of the features in their source.
    geometry : ndarray of shapely geometries, shape (n,)
    known : mapping, optional
        Where these are a part of the features: as `renamed_ids` says of all of them. A part alone
        would count otherwise.
    """
    out = _filled(ids, fids)
    missing = np.flatnonzero(ids == "")
    notes = note(
        "warning",
        "missing-id",
        missing,
        [f"has no main_id; it is called {name}; give it one" for name in out[missing]],
    )
    if known is None:
        rows = _tell_apart(out, fids, geometry)
    else:
        rows = np.flatnonzero([fid in known for fid in fids])
        out[rows] = [known[fid] for fid in fids[rows]]
    texts = [
        f"main_id {ids[r]!r} is used more than once; this one is called {out[r]}"
        + (LOST if UNREADABLE in ids[r] else "")
        for r in rows
    ]
    notes += note("warning", "duplicate-id", rows, texts)
    return out, notes + _listed_apart(out)


def _listed_apart(names: npt.NDArray[Any]) -> list[Note]:
    """Note identifiers that read as several where they stand in a list."""
    rows = np.flatnonzero([SEPARATOR in name for name in names])
    return note(
        "warning",
        "comma-in-id",
        rows,
        [
            f"main_id {name!r} holds a comma, which is what stands between the mains of a run in "
            "main_ids: there it reads as more than one, and network.only and carrier.fixed cannot "
            "name it; give it an identifier without a comma"
            for name in names[rows]
        ],
    )


def renamed_ids(
    ids: npt.NDArray[Any], fids: npt.NDArray[Any], names: npt.NDArray[Any]
) -> dict[str, str]:
    """Return, by number in the source, the names `unique_ids` gave to tell features apart."""
    rows = np.flatnonzero(names != _filled(ids, fids))
    return dict(zip(fids[rows], names[rows], strict=True))


def _filled(ids: npt.NDArray[Any], fids: npt.NDArray[Any]) -> npt.NDArray[Any]:
    out = ids.copy()
    missing = np.flatnonzero(out == "")
    out[missing] = [f"fid-{fid}" for fid in fids[missing]]
    return out


def _tell_apart(
    names: npt.NDArray[Any], fids: npt.NDArray[Any], geometry: npt.NDArray[Any]
) -> npt.NDArray[np.int64]:
    """Number the names that are met more than once, in place; return the rows renamed."""
    renamed: list[int] = []
    while len(again := _second_ones(names, fids, geometry)):
        renamed += list(again.index)
        names[again.index] = [
            f"{name}#{rank}" for name, rank in zip(names[again.index], again, strict=True)
        ]
    return np.unique(np.array(renamed, dtype=np.int64))


def _second_ones(
    ids: npt.NDArray[Any], fids: npt.NDArray[Any], geometry: npt.NDArray[Any]
) -> pd.Series[Any]:
    """Return, by row, the rank (2, 3, ...) of every feature that is not the first of its id."""
    series = pd.Series(ids, dtype=object)
    rows = np.flatnonzero(series.duplicated(keep=False))
    if not len(rows):
        return pd.Series(np.zeros(0, dtype=np.int64))
    wkb = shapely.to_wkb(shapely.normalize(geometry[rows]), hex=True)
    shape = np.where(pd.isna(wkb), "", wkb).astype(str)
    west, south, _, _ = shapely.bounds(geometry[rows]).T
    order = rows[np.lexsort([fids[rows].astype(str), shape, south, west])]
    rank = series.iloc[order].groupby(series.iloc[order]).cumcount() + 1
    return rank[rank > 1]
