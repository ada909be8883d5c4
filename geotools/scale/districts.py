"""Which district plans which run: each run whole, in one."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.intake.columns import Areas
from geotools.network.ragged import FloatArray, IntArray, line_lengths, to_linestrings
from geotools.network.runs import Chains

__all__ = ["assign_runs", "by_name", "same_runs", "span_of"]

SAME = 1e-3  # m; a run whose ends and length differ by less is the same run


def by_name(areas: Areas) -> pd.DataFrame:
    """Return the districts by name, their parts together; one without a name bears its feature's.

    Columns ``name`` and ``geometry``, in the order of the names.
    """
    given = areas.table["name"].fillna("").astype(str).str.strip()
    names = given.where(given != "", areas.table["feature"].astype(str)).to_numpy(dtype=object)
    unique, row = np.unique(names.astype(str), return_inverse=True)
    parts = [shapely.union_all(areas.geometry[row == k]) for k in range(len(unique))]
    geometry = np.empty(len(parts), dtype=object)
    geometry[:] = parts
    return pd.DataFrame({"name": unique.astype(object), "geometry": geometry})


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
    first = np.ones(len(run), dtype=bool)
    first[1:] = run[1:] != run[:-1]
    out = np.full(len(axes), -1, dtype=np.int64)
    out[run[first]] = district[first]
    return out


def span_of(chains: Chains) -> FloatArray:
    """Return what tells runs apart wherever they are built: both ends and the length, m.

    Shape (runs, 5): x and y of the start, x and y of the end, length.
    """
    first, last = chains.xy[chains.offsets[:-1]], chains.xy[chains.offsets[1:] - 1]
    return np.column_stack([first, last, line_lengths(chains.xy, chains.offsets)])


def same_runs(wanted: FloatArray, found: FloatArray) -> IntArray:
    """Return for every run wanted the row of the same run among those found; -1 if it is not.

    Parameters
    ----------
    wanted, found : ndarray, shape (n, 5) and (m, 5)
        As `span_of`.
    """
    from scipy.spatial import cKDTree

    if not len(found):
        return np.full(len(wanted), -1, dtype=np.int64)
    gap, row = cKDTree(found).query(wanted, distance_upper_bound=SAME)
    return np.where(np.isfinite(gap), row, -1).astype(np.int64)
