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
    "SCALE_LIMIT",
    "UNNAMED",
    "WGS84",
    "WorkingCRS",
    "choose_working_crs",
    "crs_name",
    "full_turn",
    "georeferenced",
    "horizontal",
    "level_unit",
    "project",
    "scale_error",
    "scale_shares",
    "set_out_in",
    "truer_crs",
    "unplaced",
    "unusable",
    "upright",
]

FloatArray = npt.NDArray[np.float64]
SAME_BUT_NAME = 90  # confidence by which PROJ tells a CRS that differs in its name alone
UNNAMED = ("unknown", "unnamed", "undefined")
SCALE_LIMIT = 0.01  # share by which a length on the map may differ from that on the ground
# Share from which it is told: UTM is off by 0.04 % in the middle of a zone, by 0.1 % at its edge.
SCALE_TOLD = 0.001
PROBE = 100.0  # m, length of the legs by which the scale is measured
# degrees that y may run off north. Conic maps of a continent turn it by up to 45 at their edge, and
# a grid so turned is drawn north up all the same; beyond, as on maps of a pole, none is. Judgement.
TURNED = 60.0
AREA_MARGIN = 2.0  # degrees that data may lie outside the CRS's area of use
WGS84 = pyproj.CRS("EPSG:4326")
# Methods whose definition turns x and y away from east and north, and the same without that.
UNTURNED = {
    "Krovak": "Krovak (North Orientated)",
    "Krovak Modified": "Krovak Modified (North Orientated)",
    "Transverse Mercator (South Orientated)": "Transverse Mercator",
}
SAME_PLACE = 1e-4  # units of the CRS, coordinates in a twin may be off what they are turned
MILLION = 1e6  # m, eastings with the zone in front count it in these


@dataclass(frozen=True)
class WorkingCRS:
    """The CRS lengths are taken in; ``reason`` says why it is not the mains' own ("" if it is).

    ``warnings`` are texts about a CRS that is usable but doubtful here.
    """

    crs: pyproj.CRS
    reason: str
    warnings: tuple[str, ...] = ()


def crs_name(crs: pyproj.CRS) -> str:
    """Return a short name: authority and code, else the name.

    One without a name has that of a registered CRS that is the same in all but name.
    """
    nameless = crs.name in UNNAMED
    authority = crs.to_authority(min_confidence=SAME_BUT_NAME if nameless else 100)
    if authority and (
        not nameless or pyproj.CRS.from_authority(*authority).equals(crs, ignore_axis_order=True)
    ):
        return ":".join(authority)
    if crs.is_bound and crs.source_crs is not None:
        return crs_name(crs.source_crs)
    if nameless and crs.coordinate_operation:
        return f"a CRS without a name ({crs.coordinate_operation.method_name})"
    return str(crs.name)


def horizontal(crs: pyproj.CRS) -> pyproj.CRS:
    """Return the horizontal part of a compound CRS, a 3-D CRS made 2-D, others as they are."""
    if crs.is_compound:
        return horizontal(crs.sub_crs_list[0])
    return crs.to_2d() if len(crs.axis_info) > 2 else crs


def level_unit(crs: pyproj.CRS) -> tuple[str, float]:
    """Return the unit of Z in coordinates of a CRS: its name, and its length in metres.

    That of its vertical axis; where it has none that of x and y, so that a geometry holds one
    unit; the metre where these are degrees.
    """
    axes = crs.axis_info
    upright = next((a for a in axes if a.direction in ("up", "down")), None)
    flat = horizontal(crs)
    chosen = upright or (axes[0] if axes and not flat.is_geographic else None)
    if chosen is None or not 0 < chosen.unit_conversion_factor < math.inf:
        return "metre", 1.0
    return str(chosen.unit_name), float(chosen.unit_conversion_factor)


def georeferenced(crs: pyproj.CRS | None) -> bool:
    """Tell whether a CRS says where on the earth a coordinate lies."""
    if crs is None or crs.name.startswith(("Undefined", "unknown geographic")):
        return False
    flat = horizontal(crs)
    return bool(flat.is_geographic or flat.is_projected)


def unplaced(crs: pyproj.CRS | None) -> str:
    """Return why it is not known where on the earth places in a CRS lie; "" where it is."""
    if crs is None:
        return "has no CRS"
    if not georeferenced(crs):
        return f"its CRS ({crs.name}) is neither geographic nor projected"
    return unusable(crs)


def unusable(crs: pyproj.CRS) -> str:
    """Return why places in a CRS cannot be moved to any other; "" where they can."""
    try:
        pyproj.Transformer.from_crs(horizontal(crs), WGS84, always_xy=True)
    except pyproj.exceptions.ProjError as error:
        return (
            f"is in {crs_name(crs)}, and where on the earth a place in that lies cannot be worked "
            f"out ({str(error).rstrip('.')}); give it in another CRS"
        )
    return ""


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
        If the wanted CRS is none, or not projected in metres with x east and y north, or the mains
        lie nowhere in it, or nowhere on the earth.
    """
    flat = horizontal(crs)
    probes = _on_earth(label, flat, _probes(xy, full_turn(flat)))
    if wanted is not None:
        return _wanted(label, crs, probes, wanted)
    doubts = _outside_area(flat, project(probes, flat, WGS84))
    if flat.is_geographic:
        return _local(flat, probes, f"{crs_name(flat)} is in degrees, which are no lengths", doubts)
    bare = flat.source_crs if flat.is_bound and flat.source_crs else flat
    method = bare.coordinate_operation.method_name if bare.coordinate_operation else ""
    if _is_mercator(method) or scale_error(bare, probes) > SCALE_LIMIT:
        return _local(bare, probes, f"{crs_name(flat)} does not show true lengths here", doubts)
    if not upright(bare, probes):
        reason = f"x and y of {crs_name(flat)} do not run east and north here"
        twin = _twin(flat, probes)
        if twin is None:
            return _local(bare, probes, reason, doubts)
        return WorkingCRS(_in_metres(twin), reason, doubts)
    metric = _in_metres(flat)
    if metric is flat:
        return WorkingCRS(flat, "", doubts)
    unit = bare.axis_info[0].unit_name
    return WorkingCRS(metric, f"{crs_name(flat)} is in units of {unit}", doubts)


def _on_earth(label: str, crs: pyproj.CRS, probes: FloatArray) -> FloatArray:
    """Return the probes that lie somewhere on the earth."""
    known = np.isfinite(project(probes, crs, WGS84)).all(axis=1)
    if not known.any():
        raise LayerError(label, _nowhere(crs, probes[0]))
    return probes[known]


def _nowhere(crs: pyproj.CRS, at: FloatArray) -> str:
    """Say that coordinates do not belong to their CRS, and what may be the matter."""
    x, y = at.tolist()
    zone, rest = divmod(x, MILLION)
    text = f"the coordinates (around {x:.0f}, {y:.0f}) lie nowhere on the earth in {crs_name(crs)}"
    if 1 <= zone <= 60 and 0.1 * MILLION <= rest <= 0.9 * MILLION:
        return text + (
            f"; the eastings seem to begin with the number of a zone, {zone:.0f}: that is a CRS of "
            'its own, with "zE-N" in its name, such as EPSG:4647 (UTM zone 32 on ETRS89) or '
            "EPSG:5650 (zone 33); set it in the file, or take the zone off the eastings"
        )
    return f"{text}; the CRS, its unit or the order of the axes is likely wrong; set the right CRS"


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
    if not upright(chosen, there):
        twin = _twin(chosen, there)
        other = "another" if twin is None else crs_name(twin)
        raise LayerError(
            where,
            f"x and y of {wanted!r} do not run east and north where the mains lie, and sides of a "
            f"street would be taken for each other; choose {other}, or leave it out",
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


def full_turn(crs: pyproj.CRS) -> float:
    """Return a full turn in the longitudes of a CRS; infinite where it has none."""
    flat = horizontal(crs)
    if not flat.is_geographic:
        return math.inf
    return round(2 * math.pi / flat.axis_info[0].unit_conversion_factor, 6)


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
    ground = np.array([length for _, length in _legs(crs, xy)])
    if not np.isfinite(ground).all():
        return np.inf
    return float(np.max(np.abs(PROBE / ground - 1.0), initial=0.0))


def scale_shares(crs: pyproj.CRS, xy: FloatArray) -> tuple[float, float] | None:
    """Return by what share lengths are longer on the ground, least and most; below 0 shorter.

    None where they are near enough the same, or so far off that it is a doubt of its own.
    """
    probes = _probes(xy, math.inf)
    if not SCALE_TOLD <= scale_error(crs, probes) <= SCALE_LIMIT:
        return None
    ground = np.array([length for _, length in _legs(crs, probes)])
    return float(ground.min() / PROBE - 1.0), float(ground.max() / PROBE - 1.0)


def truer_crs(crs: pyproj.CRS, xy: FloatArray) -> str:
    """Return the name of the local UTM zone where its lengths are truer than a CRS's, else ""."""
    probes = _probes(xy, math.inf)
    zone = _utm(crs, probes)
    truer = scale_error(zone, project(probes, crs, zone)) < SCALE_TOLD
    return crs_name(zone) if truer else ""


def upright(crs: pyproj.CRS, xy: FloatArray) -> bool:
    """Tell whether x runs east and y north at points of a projected CRS, as plans are drawn.

    Measured, as `scale_error` is: what a CRS says of its axes tells nothing of a map of a pole.
    """
    (east, _), (north, _) = _legs(crs, xy)
    ahead = np.cos(np.radians(north)) > np.cos(np.radians(TURNED))
    to_right = np.sin(np.radians(east - north)) > 0
    return bool((ahead & to_right).all())


def set_out_in(crs: pyproj.CRS, xy: FloatArray) -> bool:
    """Tell whether things are set out and drawn in a horizontal CRS: true lengths, north up."""
    return crs.is_projected and scale_error(crs, xy) <= SCALE_LIMIT and upright(crs, xy)


def _legs(crs: pyproj.CRS, xy: FloatArray) -> list[tuple[FloatArray, FloatArray]]:
    """Return azimuth, degrees, and length on the ground, m, of short legs along x and along y.

    Not-a-number where one of the ends lies nowhere.
    """
    unit = crs.axis_info[0].unit_conversion_factor
    geod = crs.get_geod() or pyproj.Geod(ellps="WGS84")
    start = project(xy, crs, WGS84)
    legs = []
    for step in ((PROBE / unit, 0.0), (0.0, PROBE / unit)):
        end = project(xy + np.array(step), crs, WGS84)
        known = np.isfinite(start).all(axis=1) & np.isfinite(end).all(axis=1)
        leg = np.full((2, len(xy)), np.nan)
        azimuth, _, length = geod.inv(*start[known].T, *end[known].T)
        leg[:, known] = azimuth, length
        legs.append((leg[0], leg[1]))
    return legs


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


def _twin(crs: pyproj.CRS, probes: FloatArray) -> pyproj.CRS | None:
    """Return the same projection with x east and y north; None if what is made is not just that.

    Its coordinates are those of the CRS with other signs, or the other way round: datum and
    scale stay, and nothing is lost by moving to it. Where it is registered it bears its code.
    """
    data = crs.to_json_dict()
    inner = data["source_crs"] if crs.is_bound else data
    if "conversion" not in inner:
        return None
    inner.pop("id", None)
    inner["name"] = f"{inner['name']} East North"
    method = inner["conversion"]["method"]["name"]
    inner["conversion"]["method"] = {"name": UNTURNED.get(method, method)}
    axes = inner["coordinate_system"]["axis"]
    for axis, name in zip(axes, ("Easting", "Northing"), strict=True):
        axis.update(name=name, abbreviation=name[0], direction=name[:-3].lower())
        axis.pop("meridian", None)
    try:
        twin = pyproj.CRS(pyproj.CRS.from_json_dict(data).to_wkt())
        there = project(probes, crs, twin)
    except pyproj.exceptions.ProjError:  # of CRSError too
        return None
    gap = min(float(np.abs(np.abs(there) - np.abs(xy)).max()) for xy in (probes, probes[:, ::-1]))
    bare = twin.source_crs if twin.is_bound and twin.source_crs else twin
    if not (gap <= SAME_PLACE and upright(bare, there)):
        return None
    code = None if twin.is_bound else twin.to_authority(min_confidence=100)
    return pyproj.CRS.from_authority(*code) if code else twin


def _utm(crs: pyproj.CRS, probes: FloatArray) -> pyproj.CRS:
    """Return the UTM zone of the middle of the mains, on their own datum where it has one."""
    lon, lat = project(probes[:1], crs, WGS84)[0]
    lon = (lon + 180.0) % 360.0 - 180.0
    base = crs.geodetic_crs
    area = AreaOfInterest(lon, lat, lon, lat)
    for datum in (base.name if base is not None else "WGS 84", "WGS 84"):
        for info in query_utm_crs_info(datum_name=datum, area_of_interest=area):
            zone_crs = pyproj.CRS.from_authority(info.auth_name, info.code)
            if zone_crs.axis_info[0].direction == "east":  # not the twin with its axes swapped
                return zone_crs
    zone, half = str(min(int((lon + 180) // 6) + 1, 60)), "N" if lat >= 0 else "S"
    return pyproj.crs.ProjectedCRS(UTMConversion(zone, half), name=f"UTM zone {zone}{half}")
