"""Districts of a batch: what is told of them, and runs known again in a district's own part."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely

from geotools.intake.columns import Areas
from geotools.intake.findings import Findings
from geotools.network.districts import names_of
from geotools.network.ragged import FloatArray, IntArray, line_lengths
from geotools.network.runs import Chains

__all__ = ["SAME", "report_districts", "same_runs", "span_of"]

SAME = 1e-3  # m; a run whose ends and length differ by less is the same run

# m; districts that overlap by no more anywhere were drawn with their borders not quite met
OVERLAP = 1.0


def report_districts(areas: Areas, districts: pd.DataFrame, findings: Findings) -> None:
    """Tell of areas without a name, of several of one name, and of districts that overlap.

    ``districts`` as of `by_name`.
    """
    named, names = names_of(areas)
    bare = np.flatnonzero(~named)
    findings.add_many(
        "warning",
        "district-unnamed",
        [f"has no name; it goes by the name {str(name)!r}; name it" for name in names[bare]],
        layer="districts",
        features=names[bare],
        geometry=areas.geometry[bare],
    )
    table = districts.assign(areas=np.unique(names, return_counts=True)[1])
    merged = table[table["areas"] > 1]
    findings.add_many(
        "warning",
        "district-merged",
        [
            f"{count} areas bear the name {name}; they are planned together as one district; "
            "give them names of their own if they are not one"
            for name, count in zip(merged["name"], merged["areas"], strict=True)
        ],
        layer="districts",
        features=merged["name"].to_numpy(dtype=object),
        geometry=merged["geometry"].to_numpy(dtype=object),
    )
    _report_overlaps(districts, findings)


def _report_overlaps(districts: pd.DataFrame, findings: Findings) -> None:
    names, shapes = (districts[n].to_numpy(dtype=object) for n in ("name", "geometry"))
    one, other = np.sort(shapely.STRtree(shapes).query(shapes, predicate="intersects"), axis=0)
    one, other = np.unique(np.stack([one, other])[:, one < other], axis=1)
    common = shapely.intersection(shapes[one], shapes[other])
    wide = np.flatnonzero(~shapely.is_empty(shapely.buffer(common, -OVERLAP / 2)))
    findings.add_many(
        "warning",
        "district-overlap",
        [
            f"overlaps the district {names[other[k]]}; a run there is planned by the one most of "
            "it lies in, else by the first by name; correct the borders"
            for k in wide
        ],
        layer="districts",
        features=names[one[wide]],
        geometry=common[wide],
    )


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
