"""Datums: how well coordinates can be moved from one to another here."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
import pyproj
from pyproj.aoi import AreaOfInterest
from pyproj.transformer import TransformerGroup

from geotools.intake.crs import WGS84, crs_name, horizontal, project
from geotools.intake.findings import Findings
from geotools.quiet import without

__all__ = ["tell_accuracy"]

# m, by which PROJ says a position may be off. Up to the first nothing is said. Beyond the second,
# pits come to stand in another lane; up to it are pairs of modern datums that are commonly taken
# as the same, NAD83 and WGS 84 for one, and nobody can do better without a survey. Judgement.
TOLD, POOR = 1.0, 5.0
GRIDS = 3  # names of missing grids that are told


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
    if _one_datum(source, working) or not len(xy):
        return
    middle = np.median(xy, axis=0)[None, :]
    lon, lat = np.round(project(middle, working, WGS84)[0], 1).tolist()
    if not np.isfinite([lon, lat]).all():
        return
    accuracy, operation = _used(source, working, middle)
    if 0 <= accuracy <= TOLD:
        return
    grids = _missing(source, working, lon, lat)
    known = accuracy >= 0
    off = f"by up to {findings.length(accuracy)}" if known else "by many metres, nobody knows how"
    better = f"; the grid {' or '.join(grids[:GRIDS])} is not installed" if grids else ""
    findings.add(
        "info" if known and accuracy <= POOR else "warning",
        "datum-accuracy",
        f"is moved from {crs_name(source)} to {crs_name(working)}, another datum, and may lie off "
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


def _one_datum(a: pyproj.CRS, b: pyproj.CRS) -> bool:
    """Tell whether two CRS have one datum, so that nothing is lost from one to the other."""
    bases = [horizontal(crs).geodetic_crs for crs in (a, b)]
    if a.is_bound or b.is_bound or bases[0] is None or bases[1] is None:
        return a == b
    if bases[0].equals(bases[1], ignore_axis_order=True):
        return True
    return bases[0].datum is not None and bases[0].datum == bases[1].datum


def _used(
    source: pyproj.CRS, target: pyproj.CRS, place: npt.NDArray[np.float64]
) -> tuple[float, str]:
    """Return accuracy, m (below 0 unknown), and name of the way a place in the target is moved by.

    The way is asked of what moves it: of the ways there are, PROJ takes others for one place than
    it lists first for an area, where grids of the better ones are missing.
    """
    x, y = project(place, target, source)[0]
    mover = _mover(source, target)
    try:
        mover.transform(x, y, errcheck=True)
        used = mover.get_last_used_operation()
    except pyproj.exceptions.ProjError:
        return -1.0, "no way is known"
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
