"""Identifiers of mains: every one there and unique, whatever the order in the file."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.intake.notes import Note, note

__all__ = ["unique_ids"]


def unique_ids(
    ids: npt.NDArray[Any], fids: npt.NDArray[Any], geometry: npt.NDArray[Any]
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
    """
    out = ids.copy()
    missing = np.flatnonzero(out == "")
    out[missing] = [f"fid-{fid}" for fid in fids[missing]]
    notes = note(
        "warning",
        "missing-id",
        missing,
        [f"has no main_id; it is called {name}; give it one" for name in out[missing]],
    )
    renamed: list[int] = []
    while len(again := _second_ones(out, fids, geometry)):
        renamed += list(again.index)
        out[again.index] = [
            f"{name}#{rank}" for name, rank in zip(out[again.index], again, strict=True)
        ]
    rows = np.unique(np.array(renamed, dtype=np.int64))
    texts = [
        f"main_id {ids[r]!r} is used more than once; this one is called {out[r]}" for r in rows
    ]
    return out, notes + note("warning", "duplicate-id", rows, texts)


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
