"""Lines and areas of a plan as entities: 3-D where their levels are known, flat where not."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import shapely

if TYPE_CHECKING:
    from ezdxf.layouts import BaseLayout

__all__ = ["add_area", "add_axis", "add_flat", "flat_lines", "with_levels"]

FloatArray = npt.NDArray[np.float64]


def with_levels(
    xy: FloatArray, length: float, chainage: FloatArray, level: FloatArray
) -> FloatArray:
    """Return a run as vertices with levels: its own and one for each station.

    Parameters
    ----------
    xy : ndarray, shape (n, 2)
        The run as drawn.
    length : float
        Its length in the unit of `chainage`.
    chainage, level : ndarray, shape (k,)
        Stations in order; not-a-number where the level is not known.

    Returns
    -------
    ndarray, shape (m, 3)
        Between two stations the level changes evenly; it is unknown beside an unknown one.
    """
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    own = along / along[-1] * length
    inside = chainage[(chainage > 1e-6) & (chainage < length - 1e-6)]
    at = np.sort(np.concatenate([own, inside]))
    at = at[np.concatenate([[True], np.diff(at) > 1e-6])]
    there = at / length * along[-1]
    z = np.full(len(at), np.nan)
    if len(chainage):
        z = np.interp(at, chainage, level)
    x, y = np.interp(there, along, xy[:, 0]), np.interp(there, along, xy[:, 1])
    return np.column_stack([x, y, z])


def add_axis(space: BaseLayout, xyz: FloatArray, layer: str) -> bool:
    """Draw an axis: 3-D where both ends of a stretch have a level, flat elsewhere.

    Returns
    -------
    bool
        Whether all of it is 3-D.
    """
    known = np.isfinite(xyz[:, 2])
    stretch = known[:-1] & known[1:]
    edges = np.flatnonzero(np.diff(stretch)) + 1
    bounds = [0, *edges.tolist(), len(stretch)]
    for low, high in itertools.pairwise(bounds):
        part = xyz[low : high + 1]
        if stretch[low]:
            space.add_polyline3d(part.tolist(), dxfattribs={"layer": layer})
        else:
            space.add_lwpolyline(part[:, :2].tolist(), dxfattribs={"layer": layer})
    return bool(stretch.all())


def flat_lines(geometry: Any) -> list[FloatArray]:
    """Return the lines of a geometry, rings of polygons among them, as arrays of x and y."""
    if geometry is None or geometry.is_empty:
        return []
    parts = shapely.get_parts(shapely.force_2d(geometry))
    lines = []
    for part in parts:
        if part.geom_type == "Polygon":
            lines += [shapely.get_coordinates(ring) for ring in shapely.get_rings(part)]
        elif part.geom_type in ("LineString", "LinearRing"):
            lines.append(shapely.get_coordinates(part))
        elif part.geom_type != "Point":
            lines += flat_lines(part)
    return lines


def add_flat(space: BaseLayout, geometry: Any, layer: str, *, level: float = 0.0) -> None:
    """Draw lines, or the outlines of areas, as 2-D polylines, all of them at one level."""
    for line in flat_lines(geometry):
        closed = len(line) > 3 and bool((line[0] == line[-1]).all())
        points = line[:-1] if closed else line
        space.add_lwpolyline(
            points.tolist(),
            close=closed,
            dxfattribs={"layer": layer, "flags": 128 + closed, "elevation": level},
        )


def add_area(
    space: BaseLayout, geometry: Any, layer: str, *, paper: float, level: float = 0.0
) -> None:
    """Draw an area at a level with hatching lines 1.5 mm apart on paper."""
    add_flat(space, geometry, layer, level=level)
    looks = {"layer": layer, "elevation": (0.0, 0.0, level)}
    hatch = space.add_hatch(color=256, dxfattribs=looks)  # 256: as its layer
    hatch.set_pattern_fill("LIN45", scale=paper, definition=[[45.0, (0.0, 0.0), (-1.06, 1.06), []]])
    for ring in flat_lines(geometry):
        hatch.paths.add_polyline_path(ring[:-1].tolist(), is_closed=True)
