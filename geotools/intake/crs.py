"""Coordinate reference systems: which one to measure in, and the guards around it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pyproj
from pyproj.aoi import AreaOfInterest
from pyproj.crs.coordinate_operation import UTMConversion
from pyproj.database import query_utm_crs_info

from geotools.errors import LayerError

__all__ = [
    "WorkingCRS",
    "choose_working_crs",
    "crs_name",
    "georeferenced",
    "horizontal",
    "project",
]

FloatArray = npt.NDArray[np.float64]
SCALE_LIMIT = 0.01  # share by which a length on the map may differ from that on the ground
PROBE = 100.0  # m, length of the legs by which the scale is measured
AREA_MARGIN = 2.0  # degrees that data may lie outside the CRS's area of use
WGS84 = pyproj.CRS("EPSG:4326")


@dataclass(frozen=True)
class WorkingCRS:
    """The CRS lengths are taken in; ``reason`` says why it is not the mains' own ("" if it is).

    ``warnings`` are texts about a CRS that is usable but doubtful here.
    """

    crs: pyproj.CRS
    reason: str
    warnings: tuple[str, ...] = ()


def crs_name(crs: pyproj.CRS) -> str:
    """Return a short name: authority and code, else the name."""
    authority = crs.to_authority(min_confidence=100)
    if authority:
        return ":".join(authority)
    if crs.is_bound and crs.source_crs is not None:
        return crs_name(crs.source_crs)
    if crs.name in ("unknown", "unnamed", "undefined") and crs.coordinate_operation:
        return f"a CRS without a name ({crs.coordinate_operation.method_name})"
    return str(crs.name)


def horizontal(crs: pyproj.CRS) -> pyproj.CRS:
    """Return the horizontal part of a compound CRS, a 3-D CRS made 2-D, others as they are."""
    if crs.is_compound:
        return horizontal(crs.sub_crs_list[0])
    return crs.to_2d() if len(crs.axis_info) > 2 else crs


def georeferenced(crs: pyproj.CRS | None) -> bool:
    """Tell whether a CRS says where on the earth a coordinate lies."""
    if crs is None or crs.name.startswith(("Undefined", "unknown geographic")):
        return False
    flat = horizontal(crs)
    return bool(flat.is_geographic or flat.is_projected)


def project(xy: FloatArray, source: pyproj.CRS, target: pyproj.CRS) -> FloatArray:
    """Return coordinates (n, 2) in another CRS; infinite where that is impossible."""
    if source == target or not len(xy):
        return xy
    transformer = pyproj.Transformer.from_crs(source, target, always_xy=True)
    x, y = transformer.transform(xy[:, 0], xy[:, 1])
    return np.column_stack([x, y])


def choose_working_crs(
    label: str, crs: pyproj.CRS, xy: FloatArray, wanted: str | None
) -> WorkingCRS:
    """Choose the CRS to measure in.

    Parameters
    ----------
    label : str
        Source of the mains, for errors.
    crs : CRS
        Of the mains.
    xy : ndarray, shape (n, 2)
        Finite coordinates of the mains in that CRS.
    wanted : str or None
        The brief's ``network.working_crs``.

    Raises
    ------
    LayerError
        If the wanted CRS is none, or not projected in metres, or the mains lie nowhere in it.
    """
    flat = horizontal(crs)
    probes = _probes(xy, _turn(flat))
    if wanted is not None:
        return _wanted(label, crs, probes, wanted)
    doubts = _outside_area(flat, project(probes, flat, WGS84))
    if flat.is_geographic:
        return _local(flat, probes, f"{crs_name(flat)} is in degrees, which are no lengths", doubts)
    bare = flat.source_crs if flat.is_bound and flat.source_crs else flat
    method = bare.coordinate_operation.method_name if bare.coordinate_operation else ""
    if _is_mercator(method) or scale_error(bare, probes) > SCALE_LIMIT:
        return _local(bare, probes, f"{crs_name(flat)} does not show true lengths here", doubts)
    metric = _in_metres(flat)
    if metric is flat:
        return WorkingCRS(flat, "", doubts)
    unit = bare.axis_info[0].unit_name
    return WorkingCRS(metric, f"{crs_name(flat)} is in units of {unit}", doubts)


def _wanted(label: str, crs: pyproj.CRS, probes: FloatArray, wanted: str) -> WorkingCRS:
    where = "brief, network.working_crs"
    try:
        chosen = horizontal(pyproj.CRS.from_user_input(wanted))
    except pyproj.exceptions.CRSError as error:
        raise LayerError(where, f"{wanted!r} is no CRS; give it as 'EPSG:code'") from error
    if not chosen.is_projected or any(a.unit_conversion_factor != 1.0 for a in chosen.axis_info):
        raise LayerError(
            where, f"{wanted!r} is not projected in metres; choose one that is, or leave it out"
        )
    there = project(probes, crs, chosen)
    if not np.isfinite(there).all():
        raise LayerError(
            where, f"{label} cannot be moved to {wanted!r}; choose a CRS made for that area"
        )
    return WorkingCRS(chosen, "the brief says so", _distortion(chosen, there))


def _local(crs: pyproj.CRS, probes: FloatArray, reason: str, doubts: tuple[str, ...]) -> WorkingCRS:
    """Return the local UTM zone, with a doubt if the mains reach far beyond it."""
    zone = _utm(crs, probes)
    there = project(probes, crs, zone)
    return WorkingCRS(zone, reason, (*doubts, *_distortion(zone, there)))


def _distortion(crs: pyproj.CRS, xy: FloatArray) -> tuple[str, ...]:
    error = scale_error(crs, xy)
    if error <= SCALE_LIMIT:
        return ()
    return (
        f"lengths in {crs_name(crs)} differ from those on the ground by {error:.1%} in places; "
        "plan smaller areas, or choose another network.working_crs",
    )


def _turn(crs: pyproj.CRS) -> float:
    """Return a full turn in the longitudes of a CRS; infinite where it has none."""
    if not crs.is_geographic:
        return math.inf
    return round(2 * math.pi / crs.axis_info[0].unit_conversion_factor, 6)


def _probes(xy: FloatArray, turn: float) -> FloatArray:
    """Return five points that stand for the whole: the middle and the corners of the bulk.

    Longitudes that lie more than half a ``turn`` apart are on either side of the date line: what
    is between them lies there too, and not on the other side of the earth.
    """
    x = xy[:, 0]
    if parted := bool(np.ptp(x) > turn / 2):
        x = np.where(x < 0, x + turn, x)
    x = np.percentile(x, [2, 50, 98])
    if parted:
        x = np.where(x > turn / 2, x - turn, x)
    y = np.percentile(xy[:, 1], [2, 50, 98])
    return np.array([[x[i], y[j]] for i, j in ((1, 1), (0, 0), (0, 2), (2, 0), (2, 2))])


def scale_error(crs: pyproj.CRS, xy: FloatArray) -> float:
    """Return the largest share by which lengths in a projected CRS are wrong at the points.

    Measured, not taken from a formula: short legs east and north on the map are compared
    with the geodesic between their ends, so it holds for every projection and unit.
    """
    unit = crs.axis_info[0].unit_conversion_factor
    worst = 0.0
    for step in ((PROBE / unit, 0.0), (0.0, PROBE / unit)):
        start = project(xy, crs, WGS84)
        end = project(xy + np.array(step), crs, WGS84)
        if not (np.isfinite(start).all() and np.isfinite(end).all()):
            return np.inf
        geod = crs.get_geod() or pyproj.Geod(ellps="WGS84")
        _, _, ground = geod.inv(start[:, 0], start[:, 1], end[:, 0], end[:, 1])
        worst = max(worst, float(np.max(np.abs(PROBE / np.asarray(ground) - 1.0))))
    return worst


def _is_mercator(method: str) -> bool:
    plain = method.casefold()
    return "mercator" in plain and "transverse" not in plain and "oblique" not in plain


def _outside_area(crs: pyproj.CRS, lonlat: FloatArray) -> tuple[str, ...]:
    area = crs.area_of_use
    if area is None or not np.isfinite(lonlat).all():
        return ()
    lon, lat = lonlat[0]
    beyond_lat = max(area.south - lat, lat - area.north)
    span = (area.east - area.west) % 360 or 360.0
    ahead = (lon - area.west) % 360
    beyond_lon = 0.0 if ahead <= span else min(ahead - span, 360 - ahead)
    if max(beyond_lat, beyond_lon) <= AREA_MARGIN:
        return ()
    return (
        f"the mains lie at longitude {lon:.2f}, latitude {lat:.2f}, outside the area "
        f"{crs_name(crs)} is made for ({area.name}); check the CRS",
    )


def _in_metres(crs: pyproj.CRS) -> pyproj.CRS:
    """Return the same projection in metres (the CRS itself if it is)."""
    bare = crs.source_crs if crs.is_bound and crs.source_crs else crs
    if all(a.unit_conversion_factor == 1.0 for a in bare.axis_info):
        return crs
    data = crs.to_json_dict()
    inner = data["source_crs"] if crs.is_bound else data
    for axis in inner["coordinate_system"]["axis"]:
        axis["unit"] = "metre"
    inner.pop("id", None)
    inner["name"] = f"{inner['name']} in metres"
    # By way of its text, as a district of a batch is told of it: that has fewer digits.
    return pyproj.CRS(pyproj.CRS.from_json_dict(data).to_wkt())


def _utm(crs: pyproj.CRS, probes: FloatArray) -> pyproj.CRS:
    """Return the UTM zone of the middle of the mains, on their own datum where it has one."""
    lon, lat = project(probes[:1], crs, WGS84)[0]
    base = crs.geodetic_crs
    area = AreaOfInterest(lon, lat, lon, lat)
    for datum in (base.name if base is not None else "WGS 84", "WGS 84"):
        for info in query_utm_crs_info(datum_name=datum, area_of_interest=area):
            zone_crs = pyproj.CRS.from_authority(info.auth_name, info.code)
            if zone_crs.axis_info[0].direction == "east":  # not the twin with its axes swapped
                return zone_crs
    zone, half = str(min(int((lon + 180) // 6) + 1, 60)), "N" if lat >= 0 else "S"
    return pyproj.crs.ProjectedCRS(UTMConversion(zone, half), name=f"UTM zone {zone}{half}")
