"""Geometries of a file on the plane its report is drawn on, each layer moved from its own CRS."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas
import numpy as np
import pyproj
import shapely

from geotools.deliver.read_plan import PlanFile
from geotools.deliver.report.shapes import Shapes, bounds_of
from geotools.intake.crs import choose_working_crs, crs_name, horizontal, project, unplaced
from geotools.schema import OUTPUTS

__all__ = ["shapes_of"]


def shapes_of(file: PlanFile, raw: Mapping[str, Any]) -> tuple[dict[str, Shapes], list[str]]:
    """Return the geometries of each layer in metres, without Z, and what is not among them.

    Parameters
    ----------
    file : PlanFile
    raw : mapping of str to DataFrame or GeoDataFrame
        Layers as in the file, those that a user saved beside the plan's own too.

    Returns
    -------
    shapes : dict of str to ndarray of geometries
        Missing ones allowed: of features that have none, or none that can be moved.
    told : list of str
        Layers and features that have a place in the file and none here, and why.
    """
    placed = {name: frame for name, frame in raw.items() if _has_places(frame)}
    why = {name: unplaced(frame.crs) for name, frame in placed.items()}
    told = [f"layer {name}: {text}" for name, text in why.items() if text]
    crs = horizontal(file.crs)
    there = {
        name: _moved(shapely.force_2d(frame.geometry.to_numpy()), horizontal(frame.crs), crs)
        for name, frame in placed.items()
        if not why[name]
    }
    if not there:
        return {}, told
    own = [shapes for name, shapes in there.items() if name in OUTPUTS] or list(there.values())
    corners = bounds_of(own).reshape(2, 2)
    target = choose_working_crs(str(file.path), crs, corners, None).crs
    found = {name: _moved(shapes, crs, target) for name, shapes in there.items()}
    for name, shapes in found.items():
        before = shapely.is_empty(placed[name].geometry.to_numpy()) | placed[name].geometry.isna()
        lost = int((shapely.is_missing(shapes) & ~before.to_numpy()).sum())
        if lost:
            told.append(
                f"layer {name}: {lost:,} of {len(shapes):,} features, whose places cannot "
                f"be moved to {crs_name(target)}"
            )
    return found, told


def _has_places(frame: Any) -> bool:
    """Tell whether a layer as read has geometries, and not all of them missing."""
    return isinstance(frame, geopandas.GeoDataFrame) and not frame.geometry.isna().all()


def _moved(shapes: Shapes, source: pyproj.CRS, target: pyproj.CRS) -> Shapes:
    """Return geometries in another CRS, those that lie nowhere in it as missing."""
    xy, row = shapely.get_coordinates(shapes, return_index=True)
    there = project(xy, source, target)
    lost = np.unique(row[~np.isfinite(there).all(axis=1)])
    out = shapes.copy()
    out[lost] = None
    moved: Shapes = shapely.set_coordinates(out, there[~np.isin(row, lost)])
    return moved
