"""Coordinate reference systems spelt otherwise, or without the name that others have."""

from __future__ import annotations

import pyproj

from geotools.intake.crs import UNNAMED, horizontal
from geotools.intake.datum import CLOSE, one_datum, same_ellipsoid

__all__ = ["coincide", "may_be"]

WGS84_SIZE = 6378137.0  # m, semi-major axis, which GRS 1980 has too


def coincide(a: pyproj.CRS, b: pyproj.CRS) -> bool:
    """Tell whether numbers in one CRS mean the place they mean in another, x and y alone.

    However the two are written: with a null shift to WGS 84, other names or heights, and without a
    name as `may_be` has it.
    """
    a, b = _without_null_shift(horizontal(a)), _without_null_shift(horizontal(b))
    if a.equals(b, ignore_axis_order=True) or may_be(a, b) or may_be(b, a):
        return True
    return one_datum(a, b) and _drawn_alike(a, b)


def _without_null_shift(crs: pyproj.CRS) -> pyproj.CRS:
    """Return a CRS without a TOWGS84 of noughts, which between ellipsoids of one size is none."""
    bare = crs.source_crs if crs.is_bound else None
    if bare is None or bare.ellipsoid is None or bare.ellipsoid.semi_major_metre != WGS84_SIZE:
        return crs
    shift = crs.coordinate_operation
    numbers = [] if shift is None else list(shift.towgs84)
    return bare if numbers and not any(numbers) else crs


def may_be(own: pyproj.CRS, named: pyproj.CRS) -> bool:
    """Tell whether a CRS that has no name is one that is named, as far as it says.

    Projection, axes and ellipsoid are those of the other; it has no name or code of its own, and
    no shift to another datum. MapInfo files are so: they tell a datum by a number that not every
    reader knows, and without it a place lies off by as much as datums do on one ellipsoid.
    """
    if own.is_bound or named.is_bound or own.to_authority(min_confidence=100):
        return False
    a, b = horizontal(own), horizontal(named)
    if a.name.casefold() not in UNNAMED:
        return False
    return _drawn_alike(a, b)


def _drawn_alike(a: pyproj.CRS, b: pyproj.CRS) -> bool:
    """Tell whether two CRS have one projection, axes and ellipsoid."""
    alike = _axes(a) == _axes(b) and same_ellipsoid(a, b) and _same(_map(a), _map(b))
    return alike and abs(_meridian(a) - _meridian(b)) <= CLOSE


def _axes(crs: pyproj.CRS) -> set[tuple[str, float]]:
    """Return directions and units of the axes; in what order they stand is no matter to files."""
    return {(axis.direction, round(axis.unit_conversion_factor, 12)) for axis in crs.axis_info}


def _meridian(crs: pyproj.CRS) -> float:
    """Return the longitude of the prime meridian, in its own unit."""
    return 0.0 if crs.prime_meridian is None else float(crs.prime_meridian.longitude)


def _map(crs: pyproj.CRS) -> dict[str, float]:
    """Return method and parameters of the projection, in SI; of degrees there is none."""
    operation = crs.coordinate_operation
    if operation is None:
        return {}
    numbers = {p.name: float(p.value) * p.unit_conversion_factor for p in operation.params}
    return {operation.method_name: 0.0, **numbers}


def _same(one: dict[str, float], other: dict[str, float]) -> bool:
    return one.keys() == other.keys() and all(
        abs(one[key] - other[key]) <= CLOSE * max(abs(one[key]), 1.0) for key in one
    )
