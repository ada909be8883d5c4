"""Districts: by name, and the one each run lies in."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.intake.columns import Areas
from geotools.network.ragged import IntArray, firsts, to_linestrings
from geotools.network.runs import Chains

__all__ = ["assign_runs", "by_name", "names_of"]


def by_name(areas: Areas) -> pd.DataFrame:
    """Return the districts by name, their parts together; one without a name bears its feature's.

    Columns ``name`` and ``geometry``, in the order of the names.
    """
    _, names = names_of(areas)
    unique, row = np.unique(names, return_inverse=True)
    parts = [shapely.union_all(areas.geometry[row == k]) for k in range(len(unique))]
    geometry = np.empty(len(parts), dtype=object)
    geometry[:] = parts
    return pd.DataFrame({"name": unique.astype(object), "geometry": geometry})


def names_of(areas: Areas) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.str_]]:
    """Return which areas bear a name, and what each is called."""
    given = areas.table["name"].fillna("").astype(str).str.strip()
    named = (given != "").to_numpy()
    return named, given.where(given != "", areas.table["feature"].astype(str)).to_numpy(dtype=str)


def assign_runs(chains: Chains, geometry: npt.NDArray[np.object_]) -> IntArray:
    """Return for every run the district that plans it: where most of it lies, else the first.

    Parameters
    ----------
    chains : Chains
    geometry : ndarray of polygons, shape (d,)
        Districts in the order of their names.

    Returns
    -------
    ndarray of int64, shape (runs,)
        Row of the district; -1 for a run that touches none.
    """
    axes = to_linestrings(chains.xy, chains.offsets)
    run, district = shapely.STRtree(geometry).query(axes, predicate="intersects")
    inside = shapely.length(shapely.intersection(axes[run], geometry[district]))
    order = np.lexsort([district, -np.round(inside, 3), run])
    run, district = run[order], district[order]
    first = firsts(run)
    out = np.full(len(axes), -1, dtype=np.int64)
    out[run[first]] = district[first]
    return out
