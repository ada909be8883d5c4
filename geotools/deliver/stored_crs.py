"""A CRS as text for a GeoPackage, such that it comes back placing every feature where it was.

A CRS without a code of its own is matched to registered ones by the library that writes the file,
and again by the one that reads it, and both match too freely: a UTM zone in feet is taken for the
one in metres, a datum's own shift is dropped. So each way of writing a CRS is read back and held
against the CRS itself, and the first that keeps every place is taken.
"""

from __future__ import annotations

import tempfile
import warnings
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyogrio
import pyproj
import shapely
from pyproj.exceptions import CRSError, ProjError

from geotools.errors import OutputError
from geotools.intake.crs import crs_name, project

if TYPE_CHECKING:
    from geotools.network.ragged import FloatArray

__all__ = ["places_of", "stored_wkt"]

TOLERANCE = 1e-3  # m, a place may be off when it is read back
_WGS84 = pyproj.CRS("OGC:CRS84")
_NOWHERE = np.array([[10.0, 10.0], [1e5, 2e5]])  # in any CRS, where there is no feature
_UNKNOWN = "as given by the input"  # name nothing is registered under


def places_of(frames: Iterable[pd.DataFrame], covered: Sequence[FloatArray] = ()) -> FloatArray:
    """Return the corners and the middle of what all geometries cover, shape (n, 2).

    Of geometries that no frame has, ``covered`` has west, south, east and north, shape (k, 4).
    """
    bounds = [*(row for rows in covered for row in rows)]
    bounds += [
        shapely.total_bounds(frame["geometry"].to_numpy(dtype=object))
        for frame in frames
        if "geometry" in frame and len(frame)
    ]
    known = np.array([b for b in bounds if np.isfinite(b).all()], dtype=float).reshape(-1, 4)
    if not len(known):
        return _NOWHERE
    (west, south), (east, north) = known[:, :2].min(axis=0), known[:, 2:].max(axis=0)
    middle = [(west + east) / 2, (south + north) / 2]
    return np.array([[west, south], [west, north], [east, south], [east, north], middle])


def stored_wkt(crs: pyproj.CRS, xy: FloatArray) -> str:
    """Return the text a CRS is to be written with.

    Parameters
    ----------
    crs : CRS
    xy : ndarray, shape (n, 2)
        Places the features cover, in ``crs``.

    Returns
    -------
    str
        WKT that GDAL stores under the code the CRS has, else as a CRS of its own, and from which
        every place is read back within `TOLERANCE`.

    Raises
    ------
    OutputError
        If no way of writing it keeps the places.
    """
    due = project(xy, crs, _WGS84)
    for wkt in _ways(crs):
        if _off(wkt, xy, due) <= TOLERANCE:
            return wkt
    raise OutputError(
        f"the output's CRS, {crs_name(crs)}, cannot be kept in a GeoPackage without moving its "
        "features; move the mains to a CRS with an EPSG code first"
    )


def _ways(crs: pyproj.CRS) -> Iterator[str]:
    """Yield ways of writing a CRS, the one that says most first."""
    if crs.to_authority(min_confidence=100):
        yield crs.to_wkt()
    bare = crs.to_json_dict()
    bare.pop("id", None)  # a code that does not belong to what the CRS says
    for data in (bare, _own(bare)):
        other = pyproj.CRS.from_json_dict(data)
        yield other.to_wkt()
        try:
            yield other.to_wkt("WKT1_GDAL")
        except CRSError:
            continue  # the older form does not know every CRS


def _own(data: Any, key: str = "") -> Any:
    """Take from a CRS every code and name it, its base or its datum could be looked up by."""
    if isinstance(data, list):
        return [_own(part, key) for part in data]
    if not isinstance(data, Mapping):
        return data
    told = {k: _own(v, k) for k, v in data.items() if k not in ("id", "ids")}
    if key in ("", "source_crs", "components", "base_crs", "datum", "datum_ensemble"):
        told["name"] = _UNKNOWN
    return told


def _off(wkt: str, xy: FloatArray, due: FloatArray) -> float:
    """Return how far the farthest place lies off once a CRS was written and read, m."""
    read = _read_back(wkt)
    known = np.isfinite(due).all(axis=1)
    try:
        lonlat = project(xy[known], read, _WGS84)
    except ProjError:
        return np.inf
    if not np.isfinite(lonlat).all():
        return np.inf
    gap = pyproj.Geod(ellps="WGS84").inv(*due[known].T, *lonlat.T)[2]
    return float(np.max(gap, initial=0.0))


def _read_back(wkt: str) -> pyproj.CRS:
    """Return the CRS read from a GeoPackage that was written with one."""
    nothing = pa.table({"geometry": pa.array([], type=pa.binary())})
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # of a trial: the result is looked at
        path = Path(folder) / "places.gpkg"
        pyogrio.write_arrow(
            nothing, path, driver="GPKG", geometry_name="geometry", geometry_type="Point", crs=wkt
        )
        return pyproj.CRS(pyogrio.read_info(path)["crs"])
