"""The valves to close for a run, each with its name.

The plan holds places and names in one order, if each valve has a name of its own and the plan is
not older than that; else the name is that of the valve on record at the place.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely

__all__ = ["Valve", "each_valve", "valves_to_close"]

_SAME = 0.01  # m, or ft where shapes are in feet; two places this near are one valve


@dataclass(frozen=True)
class Valve:
    """A valve to close: where, its name, "" if not known, and for which runs.

    ``all_of_run`` has the names of all valves to close for each of the runs.
    """

    point: Any
    name: str
    runs: tuple[str, ...]
    all_of_run: tuple[str, ...]


def each_valve(shutdowns: Any, context: Any) -> list[Valve]:
    """Return every valve to close once, however many runs need it closed.

    ``shutdowns`` has ``run_id``, ``valves``, ``valves_in_order`` and ``geometry``, ``context`` is
    as of `valves_to_close`.
    """
    told = [
        (point, name, row.run_id, row.valves)
        for row in shutdowns.itertuples()
        for point, name in valves_to_close(
            row.geometry, row.valves, context, in_order=row.valves_in_order
        )
    ]
    valves = []
    for rows in _of_one_valve([point for point, *_ in told], [name for _, name, *_ in told]):
        runs, alls = zip(*dict.fromkeys(told[row][2:] for row in rows), strict=True)
        name = max(told[row][1] for row in rows)
        valves.append(Valve(told[rows[0]][0], name, runs, alls))
    return valves


def _of_one_valve(points: list[Any], names: list[str]) -> list[list[int]]:
    """Return the rows at one place and of one name, or of none, in the order of the first."""
    at = np.array(points, dtype=object)
    here, there = shapely.STRtree(at).query(at, predicate="dwithin", distance=_SAME)
    first: dict[int, int] = {}
    of: dict[int, list[int]] = {}
    for row in sorted(range(len(at)), key=lambda row: names[row] == ""):  # the named first
        known = [k for k in there[here == row] if k in first and names[row] in ("", names[k])]
        first[row] = first[known[0]] if known else row
        of.setdefault(first[row], []).append(row)
    return sorted(sorted(rows) for rows in of.values())


def valves_to_close(
    shutdown: Any, names: str, context: Any, *, in_order: Any
) -> list[tuple[Any, str]]:
    """Return the places of the valves to close and their names.

    Parameters
    ----------
    shutdown : geometry
        Places of the valves, as the layer ``shutdowns`` has them, in m or ft.
    names : str
        Their names there, joined by commas.
    context : DataFrame or None
        ``layer``, ``feature`` and ``geometry`` of the source near the runs, in the same CRS.
    in_order : bool or missing
        Whether the plan says that the places stand in the order of the names.

    Returns
    -------
    list of (Point, str)
        The name is empty where the order is not known and no valve of one of the names lies there
        in the source near the runs, as far from them.
    """
    points = [p for p in shapely.get_parts(shutdown) if not p.is_empty]
    due = names.split(",")
    if len(points) == 1:
        return [(points[0], names)]
    if not pd.isna(in_order) and in_order and len(points) == len(due):
        return list(zip(points, due, strict=True))
    if context is None:
        return [(point, "") for point in points]
    rows = context[(context["layer"] == "valves") & context["feature"].isin(due)]
    shapes = rows["geometry"].to_numpy(dtype=object)
    features = rows["feature"].to_numpy(dtype=object)
    out = []
    for point in points:
        near = np.flatnonzero(shapely.dwithin(shapes, point, _SAME))
        out.append((point, str(features[near[0]]) if len(near) else ""))
    return out
