"""Areas and features of any geometry: flat, valid, in the working CRS."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pyproj
import shapely

from geotools.intake.crs import project
from geotools.intake.notes import Note, note
from geotools.schema import LINE, POINT, Layer

__all__ = ["move_areas", "repair_areas"]

IntArray = npt.NDArray[np.int64]
POLYGON, MULTIPOLYGON, COLLECTION = 3, 6, 7
DIMENSION = {"Point": 0, "LineString": 1, "Polygon": 2}


def move_areas(
    geometry: npt.NDArray[Any], source: pyproj.CRS, target: pyproj.CRS
) -> npt.NDArray[Any]:
    """Return geometries without Z and M in another CRS."""
    moved: npt.NDArray[Any] = shapely.transform(
        geometry, lambda xy: project(xy, source, target), include_z=False
    )
    return moved


def repair_areas(
    layer: Layer, geometry: npt.NDArray[Any], rows: IntArray
) -> tuple[npt.NDArray[Any], IntArray, list[Note]]:
    """Make polygons valid and keep what the layer may hold.

    Parameters
    ----------
    layer : Layer
        Layer of the contract.
    geometry : ndarray of shapely geometries
        In the working CRS, finite.
    rows : ndarray of int64
        Row of the layer of each.

    Returns
    -------
    geometry, rows, notes
    """
    invalid = np.flatnonzero(~shapely.is_valid(geometry))
    reasons = shapely.is_valid_reason(geometry[invalid])
    notes = note(
        "warning",
        "invalid-polygon",
        rows[invalid],
        [f"is no valid polygon ({why}); repaired; check its outline" for why in reasons],
    )
    out = geometry.copy()
    out[invalid] = shapely.make_valid(out[invalid])
    if not {*POINT, *LINE} & {*layer.geometry}:
        drawn = np.setdiff1d(np.flatnonzero(_mixed(geometry)), invalid)
        notes += note(
            "warning",
            "mixed-collection",
            rows[drawn],
            "is a collection that holds more than polygons; only its polygons were read",
        )
        out = _polygons_only(out)
    dimension = shapely.get_dimensions(out)
    allowed = [DIMENSION[k] for k in layer.geometry if k in DIMENSION]
    lost = ~np.isin(dimension, allowed) | shapely.is_empty(out)
    notes += note(
        "warning",
        "no-area",
        rows[lost],
        "encloses no area and was set aside; draw it again",
        every=True,
    )
    return out[~lost], rows[~lost], notes


def _mixed(geometry: npt.NDArray[Any]) -> npt.NDArray[np.bool_]:
    """Return which geometries hold something beside polygons, and polygons too."""
    members, owner = shapely.get_parts(geometry, return_index=True)
    while np.isin(shapely.get_type_id(members), (COLLECTION, MULTIPOLYGON)).any():
        members, inner = shapely.get_parts(members, return_index=True)
        owner = owner[inner]
    polygon = shapely.get_type_id(members) == POLYGON
    foreign = ~polygon & ~shapely.is_empty(members)
    count = len(geometry)
    return (np.bincount(owner[foreign], minlength=count) > 0) & (
        np.bincount(owner[polygon], minlength=count) > 0
    )


def _polygons_only(geometry: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return geometries, collections replaced by the polygons in them."""
    out = geometry.copy()
    mixed = np.flatnonzero(shapely.get_type_id(geometry) == COLLECTION)
    members, owner = shapely.get_parts(geometry[mixed], return_index=True)
    while np.isin(shapely.get_type_id(members), (COLLECTION, MULTIPOLYGON)).any():
        members, inner = shapely.get_parts(members, return_index=True)
        owner = owner[inner]
    polygon = shapely.get_type_id(members) == POLYGON
    held, number = np.unique(owner[polygon], return_inverse=True)
    out[mixed] = shapely.MultiPolygon()
    if len(held):
        out[mixed[held]] = shapely.multipolygons(members[polygon], indices=number)
    return out
