"""The ground along the mains before anything is planned: what of them has none."""

from __future__ import annotations

import numpy as np

from geotools.brief import Brief
from geotools.errors import LayerError
from geotools.intake.columns import Layers
from geotools.layout.levels import ground_levels, mosaic_of
from geotools.network.mains import may_be_lined
from geotools.network.ragged import (
    FloatArray,
    IntArray,
    measures,
    offsets_of,
    row_of,
    spread_out,
    take,
)

__all__ = ["check_ground"]


def check_ground(layers: Layers, brief: Brief, *, allow_remote: bool) -> None:
    """Report the mains that may be lined with no ground level somewhere, and what is assumed.

    Parameters
    ----------
    layers : Layers
        With a DEM; findings are added to theirs: one that cannot be used is an error among them.
    brief : Brief
    allow_remote : bool
    """
    mains, findings = layers.mains, layers.findings
    rows = np.flatnonzero(may_be_lined(mains, brief.network))
    picked = take(mains.offsets, rows)
    offsets = offsets_of(np.diff(mains.offsets)[rows])
    main, places = _places(mains.xy[picked], offsets, brief.ground.step)
    try:
        mosaic = mosaic_of(layers.dem, brief, allow_remote=allow_remote)
        z = ground_levels(mosaic, layers.working_crs, brief, places, findings)
    except LayerError as error:
        for fault in error.faults:
            findings.add("error", "dem-not-usable", fault, layer="dem")
        return
    none = np.isnan(z)
    lost, first, count = np.unique(main[none], return_index=True, return_counts=True)
    names = mains.table["feature"].to_numpy(dtype=object)[rows[lost]]
    every = np.bincount(main, minlength=len(rows))[lost]
    findings.add_points(
        "warning",
        "no-ground",
        [
            f"no ground level at {n} of {m} places along main {name}: off the DEM, or it has no "
            "data there; give a DEM that covers it"
            for name, n, m in zip(names, count.tolist(), every.tolist(), strict=True)
        ],
        layer="dem",
        features=names,
        xy=places[none][first],
    )


def _places(xy: FloatArray, offsets: IntArray, step: float) -> tuple[IntArray, FloatArray]:
    """Return places along lines no farther apart than a step, m, ends and vertices: line, x, y."""
    row, last = row_of(offsets), offsets[1:] - 1
    length = np.diff(measures(xy, offsets), append=0.0)
    way = np.diff(xy, axis=0, append=xy[-1:])
    length[last], way[last] = 0.0, 0.0
    parts = np.maximum(np.ceil(length / step), 1).astype(np.int64)
    vertex, place = spread_out(parts)
    share = place / parts[vertex]
    return row[vertex], xy[vertex] + share[:, None] * way[vertex]
