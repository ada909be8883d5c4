"""Datums: how well coordinates can be moved from one to another here."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
import pyproj
from pyproj.aoi import AreaOfInterest
from pyproj.transformer import TransformerGroup

from geotools.intake.crs import UNNAMED, WGS84, crs_name, horizontal, project
from geotools.intake.findings import Findings
from geotools.quiet import without

__all__ = ["CLOSE", "one_datum", "same_ellipsoid", "tell_accuracy"]

# m, by which PROJ says a position may be off. Up to the first nothing is said. Beyond the second,
# pits come to stand in another lane; up to it are pairs of modern datums that are commonly taken
# as the same, NAD83 and WGS 84 for one, and nobody can do better without a survey. Judgement.
TOLD, POOR = 1.0, 5.0
GRIDS = 3  # names of missing grids that are told
GEOD = pyproj.Geod(ellps="WGS84")
SAME_PLACE = 1e-3  # m
# Share by which a number of a CRS may differ that was written and read; 6 mm of the earth.
CLOSE = 1e-9

Place = npt.NDArray[np.float64]
Pair = tuple[pyproj.CRS, pyproj.CRS]


def tell_accuracy(
    layer: str,
    source: pyproj.CRS,
    working: pyproj.CRS,
    xy: npt.NDArray[np.float64],
    findings: Findings,
    *,
    feature: str = "",
) -> None:
    """Tell how far a layer, or levels looked up in it, may be off between two datums.

    Parameters
    ----------
    layer : str
    source, working : CRS
        Of the layer and of the mains.
    xy : ndarray, shape (n, 2)
        The mains, or places on them, in the working CRS, m.
    feature : str
        Files of the layer that are meant, where they are several.
    """
    if one_datum(source, working) or not len(xy):
        return
    middle = np.median(xy, axis=0)[None, :]
    lon, lat = np.round(project(middle, working, WGS84)[0], 1).tolist()
    if not np.isfinite([lon, lat]).all():
        return
    bare = _without_shifts(source, working, middle)
    pair = bare or (source, working)
    if bare and (one_datum(*bare) or _one_ellipsoid((source, working), bare)):
        return
    accuracy, operation = _used(*pair, middle)
    if 0 <= accuracy <= TOLD:
        return
    grids = _missing(*pair, lon, lat)
    known = accuracy >= 0
    off = f"by up to {findings.length(accuracy)}" if known else "by many metres, nobody knows how"
    better = f"; the grid {' or '.join(grids[:GRIDS])} is not installed" if grids else ""
    findings.add(
        "info" if known and accuracy <= POOR else "warning",
        "datum-accuracy",
        f"is moved from {_named(pair[0])} to {_named(pair[1])}, another datum, and may lie off "
        f"{off} ({operation}{better}); {_advice(layer)}, moved by software that has the grids, or "
        "install them (projsync)",
        layer=layer,
        feature=feature,
    )


def _advice(layer: str) -> str:
    """Return what to give a layer in: the mains are what the others are moved to."""
    if layer == "mains":
        return (
            "name a projected CRS of their own datum as network.working_crs, or give them in the "
            "datum they are moved to"
        )
    return "give the layer in the datum of the mains"


def _named(crs: pyproj.CRS) -> str:
    """Return the short name of a CRS, and whether it brings a way to WGS 84 of its own."""
    own = " with a shift to WGS 84 of its own" if horizontal(crs).is_bound else ""
    return f"{crs_name(crs)}{own}"


def one_datum(a: pyproj.CRS, b: pyproj.CRS) -> bool:
    """Tell whether two CRS have one datum, so that nothing is lost from one to the other."""
    a, b = horizontal(a), horizontal(b)
    bases = [crs.geodetic_crs for crs in (a, b)]
    if a.is_bound or b.is_bound or bases[0] is None or bases[1] is None:
        return a == b
    if bases[0].equals(bases[1], ignore_axis_order=True):
        return True
    return bases[0].datum is not None and bases[0].datum == bases[1].datum


def _without_shifts(source: pyproj.CRS, target: pyproj.CRS, place: Place) -> Pair | None:
    """Return two CRS without the shifts to WGS 84 that they bring, if these say nothing new.

    Such a shift (TOWGS84 of older files) is null for most, or one that is known of the datum
    anyway: a place then comes to lie, in WGS 84 and in the target, where it does without.
    """
    bound = horizontal(source), horizontal(target)
    bare = _bare(source), _bare(target)
    if not any(crs.is_bound for crs in bound):
        return None
    at = project(place, bound[1], bound[0])
    off = [
        _apart(project(xy, crs, WGS84), project(xy, own, WGS84))
        for xy, crs, own in zip((at, place), bound, bare, strict=True)
    ]
    if max(off) > TOLD:
        return None
    moved = np.abs(project(at, *bound) - project(at, *bare)).max()
    return bare if moved <= SAME_PLACE else None


def _bare(crs: pyproj.CRS) -> pyproj.CRS:
    """Return a CRS without the shift to WGS 84 that it brings; itself if it brings none."""
    flat = horizontal(crs)
    return flat.source_crs if flat.is_bound and flat.source_crs is not None else crs


def _apart(a: Place, b: Place) -> float:
    """Return how far two places in degrees lie from each other, m; infinite if one is nowhere."""
    lonlat = np.concatenate([a, b])
    if not np.isfinite(lonlat).all():
        return np.inf
    return float(GEOD.inv(*lonlat[0], *lonlat[1])[2])


def _one_ellipsoid(pair: Pair, bare: Pair) -> bool:
    """Tell whether two CRS have one ellipsoid, and one that names no datum a null shift instead.

    So texts for PROJ tell ETRS89 or NAD83.
    """
    if any(_no_datum(own) and own is crs for crs, own in zip(pair, bare, strict=True)):
        return False
    return any(map(_no_datum, bare)) and same_ellipsoid(*bare)


def same_ellipsoid(a: pyproj.CRS, b: pyproj.CRS) -> bool:
    """Tell whether two CRS have one ellipsoid; none is like no other."""
    one, other = a.ellipsoid, b.ellipsoid
    if one is None or other is None:
        return False
    pairs = (
        (one.semi_major_metre, other.semi_major_metre),
        (one.inverse_flattening, other.inverse_flattening),
    )
    return all(math.isclose(*pair, rel_tol=CLOSE) for pair in pairs)


def _no_datum(crs: pyproj.CRS) -> bool:
    base = horizontal(crs).geodetic_crs
    datum = None if base is None else base.datum
    return datum is None or datum.name.casefold().startswith(UNNAMED)


def _used(source: pyproj.CRS, target: pyproj.CRS, place: Place) -> tuple[float, str]:
    """Return accuracy, m (below 0 unknown), and name of the way a place in the target is moved by.

    The way is asked of what moves it: of the ways there are, PROJ takes others for one place than
    it lists first for an area, where grids of the better ones are missing.
    """
    x, y = project(place, target, source)[0]
    mover = _mover(source, target)
    try:
        mover.transform(x, y, errcheck=True)
    except pyproj.exceptions.ProjError:
        return -1.0, "no way is known"
    try:
        used = mover.get_last_used_operation()
    except pyproj.exceptions.ProjError:  # none was: PROJ takes the two for one
        return -1.0, "coordinates are left as they are"
    return float(used.accuracy), str(used.description or used.name)


@lru_cache(maxsize=64)
def _mover(source: pyproj.CRS, target: pyproj.CRS) -> pyproj.Transformer:
    return pyproj.Transformer.from_crs(source, target, always_xy=True)


@lru_cache(maxsize=64)
def _missing(source: pyproj.CRS, target: pyproj.CRS, lon: float, lat: float) -> tuple[str, ...]:
    """Return the grids that the best way at a place needs and that are not installed."""
    area: Any = AreaOfInterest(lon, lat, lon, lat)
    with without(UserWarning):  # that a grid is missing is said again as a finding
        group = TransformerGroup(source, target, always_xy=True, area_of_interest=area)
    if group.best_available:
        return ()
    missing = [
        grid.short_name
        for operation in group.unavailable_operations
        for grid in operation.grids
        if not grid.available
    ]
    return tuple(dict.fromkeys(missing))
