"""The ground along the mains before anything is planned: what of them has none."""

from __future__ import annotations

import numpy as np

from geotools.brief import Brief
from geotools.intake.columns import Layers, Lines
from geotools.network.cells import spread_out
from geotools.network.ragged import FloatArray, IntArray, measures, row_of
from geotools.tools._shared import ground_levels

__all__ = ["check_ground"]


def check_ground(layers: Layers, brief: Brief, *, allow_remote: bool) -> None:
    """Report the mains that may be lined with no ground level somewhere, and what is assumed.

    Parameters
    ----------
    layers : Layers
        With a DEM; findings are added to theirs.
    brief : Brief
    allow_remote : bool

    Raises
    ------
    LayerError
        If a raster cannot be used, contradicts the brief, or none of them overlaps the mains.
    """
    mains, findings = layers.mains, layers.findings
    main, places = _places(mains, brief.ground.step)
    large = mains.table["diameter"].to_numpy(dtype=float) >= brief.network.min_diameter
    main, places = main[large[main]], places[large[main]]
    z = ground_levels(layers.dem, layers.working_crs, brief, allow_remote, places, findings)
    none = np.isnan(z)
    lost, first, count = np.unique(main[none], return_index=True, return_counts=True)
    names = mains.table["feature"].to_numpy(dtype=object)[lost]
    every = np.bincount(main, minlength=len(mains))[lost]
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


def _places(mains: Lines, step: float) -> tuple[IntArray, FloatArray]:
    """Return places along mains no farther apart than a step, m, ends and vertices: main, x, y."""
    row, last = row_of(mains.offsets), mains.offsets[1:] - 1
    length = np.diff(measures(mains.xy, mains.offsets), append=0.0)
    way = np.diff(mains.xy, axis=0, append=mains.xy[-1:])
    length[last], way[last] = 0.0, 0.0
    parts = np.maximum(np.ceil(length / step), 1).astype(np.int64)
    vertex, place = spread_out(parts)
    share = place / parts[vertex]
    return row[vertex], mains.xy[vertex] + share[:, None] * way[vertex]
