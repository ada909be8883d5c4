"""The valves to close for a run, each with its name: the plan holds both, in no common order."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

__all__ = ["valves_to_close"]

_SAME = 0.01  # in the unit of the CRS; two places this near are one valve


def valves_to_close(shutdown: Any, names: str, context: Any) -> list[tuple[Any, str]]:
    """Return the places of the valves to close and their names.

    Parameters
    ----------
    shutdown : geometry
        Places of the valves, as the layer ``shutdowns`` has them.
    names : str
        Their names there, joined by commas.
    context : DataFrame or None
        ``layer``, ``feature`` and ``geometry`` of the source near the runs, in the same CRS.

    Returns
    -------
    list of (Point, str)
        The name is empty where no valve of that name lies there in the source near the runs, as
        far from them.
    """
    points = [p for p in shapely.get_parts(shutdown) if not p.is_empty]
    due = set(names.split(","))
    if len(points) == 1:
        return [(points[0], names)]
    if context is None:
        return [(point, "") for point in points]
    rows = context[(context["layer"] == "valves") & context["feature"].isin(list(due))]
    shapes = rows["geometry"].to_numpy(dtype=object)
    features = rows["feature"].to_numpy(dtype=object)
    out = []
    for point in points:
        near = np.flatnonzero(shapely.dwithin(shapes, point, _SAME))
        out.append((point, str(features[near[0]]) if len(near) else ""))
    return out
