"""What was assumed of elevation rasters, gathered into one finding a rule."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyproj
import shapely

from geotools.ground.cells import HIGHEST, LOWEST, Levels, ends_of
from geotools.ground.raster import Raster
from geotools.ground.vertical import UNIT_KEY, VerticalUnit, stated_unit
from geotools.intake.datum import tell_accuracy
from geotools.intake.findings import Findings
from geotools.lists import listed
from geotools.network.ragged import FloatArray, IntArray

__all__ = ["NAMED", "Notes", "box_around"]

NAMED = 5  # files named in a text
LENGTHS = {"lowest": LOWEST, "highest": HIGHEST}  # m, named in the texts
# m; models of one ground differ less at half of all places, whatever their cells. Judgement.
STEP = 1.0
TEXTS: dict[str, tuple[str, str]] = {
    "dem-unit-assumed": (
        "warning",
        "neither the file nor the brief says the unit of the levels; they were taken as metres; "
        "{in_feet}look whether they are, and say so with " + UNIT_KEY,
    ),
    "dem-unit-unread": (
        "info",
        "band 1 has the unit {unread!r}, which is not known here; that of the brief was taken",
    ),
    "dem-unit-kept": (
        "warning",
        "levels are in {kept}, but in {stated} by the brief: what the file says was taken, and "
        "the unit of the brief for files that say none; correct the unit in the file if it is "
        "wrong, or give it in the other files and leave it out of the brief",
    ),
    "dem-no-nodata": (
        "warning",
        "the file does not say which value means no data, so every cell read that holds a "
        "number was taken as ground; set its nodata value if it has gaps",
    ),
    "dem-untold-nodata": (
        "warning",
        "the file does not say which value means no data, and holds what no ground has, {held}: "
        "values outside {lowest} to {highest}, or the extreme its whole numbers reach; these were "
        "taken as no data, every other cell read as ground; set its nodata value to what it has "
        "in gaps",
    ),
    "dem-no-levels": (
        "warning",
        "every value read of the file was taken as no data, {held} as stored: outside {lowest} to "
        "{highest}, or the extreme its whole numbers reach, though the file does not say which "
        "value means no data. Look whether its levels are in another unit, such as cm or mm, and "
        "give a copy that says so (gdal_translate -a_scale 0.01), or whether it has no levels here",
    ),
    "dem-bands": ("warning", "more than one band; band 1 was taken as ground level"),
    "dem-bytes": (
        "warning",
        "band 1 holds whole numbers of one byte, 0 to 255 or -128 to 127, without unit, scale or "
        "vertical CRS: most likely a picture or a hillshade, not levels, though they were taken "
        "as such; give the elevation raster it was made from, or, if they are levels, a copy that "
        "says their unit or is of another type (gdal_translate -ot Int16)",
    ),
    "dem-overlap": (
        "info",
        "the file overlaps one before it: of several files the first in the order given that has "
        "a level was read, whatever its cells (files of one pattern are in the order of their "
        "names); name the best one first",
    ),
    "dem-levels-differ": (
        "warning",
        "where the file overlaps one before it half the levels looked at differ by {differ} or "
        "more: one of the two may be in another vertical unit or datum, and levels step where one "
        "file ends; look which is right, and give them in one",
    ),
    "dem-strange-level": (
        "warning",
        "values outside {lowest} to {highest} that are not its nodata value were taken as no data "
        "({held}, as stored); check nodata value and vertical unit",
    ),
}


class Notes:
    """What was assumed of the rasters, one finding a rule, however many tiles there are."""

    def __init__(self, xy: FloatArray, crs: pyproj.CRS) -> None:
        self._xy = xy
        self._crs = crs
        self._files: dict[str, list[str]] = {}
        self._points: dict[str, list[IntArray]] = {}
        self._in_feet = ""
        self._unread = ""
        self._kept: list[str] = []  # units of the files that have another than the brief
        self._stated = ""
        self._differ = 0.0  # m, the most of all files
        self._held: dict[str, FloatArray] = {}  # by rule, what is no level, as stored
        self._moved: dict[str, tuple[pyproj.CRS, list[str]]] = {}  # by CRS, the files in it

    def _add(self, rule: str, raster: Raster, index: IntArray) -> None:
        names = self._files.setdefault(rule, [])
        if raster.name not in names[-1:]:
            names.append(raster.name)
        self._points.setdefault(rule, []).append(index)

    def file(
        self,
        raster: Raster,
        index: IntArray,
        levels: Levels,
        *,
        unit: VerticalUnit | None,
        brief_unit: str | None,
    ) -> None:
        """Note what is missing or strange in a file that was asked for the levels of points.

        ``unit`` is that of its levels, None where nobody says; ``brief_unit`` the brief's.
        """
        if len(index) == 0:
            return
        _, names = self._moved.setdefault(raster.wkt, (raster.crs, []))
        names.append(raster.name)
        self._unit(raster, index, unit, brief_unit)
        if raster.unread:
            self._add("dem-unit-unread", raster, index)
            self._unread = self._unread or raster.unread
        self._gaps(raster, index, levels)
        if raster.like_picture:
            self._add("dem-bytes", raster, index)
        if raster.bands > 1:
            self._add("dem-bands", raster, index)

    def _unit(
        self, raster: Raster, index: IntArray, unit: VerticalUnit | None, brief_unit: str | None
    ) -> None:
        """Note a unit that nobody says, or that is another than the brief's."""
        if unit is None:
            self._add("dem-unit-assumed", raster, index)
            self._in_feet = self._in_feet or _hint(raster)
        elif brief_unit is not None and not unit.agrees(stated := stated_unit(brief_unit)):
            self._add("dem-unit-kept", raster, index)
            self._kept.append(f"{unit.name} by {unit.said_by} in {raster.name}")
            self._stated = stated.name

    def _gaps(self, raster: Raster, index: IntArray, levels: Levels) -> None:
        """Note, by one rule a file, what was taken as no data without being called so."""
        if len(levels.held):
            # Gaps hold one value, levels in another unit many.
            none = len(levels.held) > 1 and not np.isfinite(levels.z).any()
            untold = "dem-no-levels" if none else "dem-untold-nodata"
            rule = "dem-strange-level" if raster.says_nodata else untold
            self._add(rule, raster, index[levels.strange])
            self._held[rule] = ends_of(self._held.get(rule, np.zeros(0)), levels.held)
        elif not raster.says_nodata and len(read := index[np.isfinite(levels.z)]):
            self._add("dem-no-nodata", raster, read)

    def overlap(self, raster: Raster, index: IntArray) -> None:
        """Note points on a file that have their level from one before it."""
        if len(index):
            self._add("dem-overlap", raster, index)

    def differ(self, raster: Raster, index: IntArray, gap: FloatArray) -> None:
        """Note how far levels of points on a file differ from those of one before it, m."""
        gap = np.abs(gap[np.isfinite(gap)])
        if len(gap) and (middle := float(np.median(gap))) > STEP:
            self._add("dem-levels-differ", raster, index)
            self._differ = max(self._differ, middle)

    def hand_over(self, findings: Findings) -> None:
        """Add the findings, each with the box of the points it concerns."""
        said = {name: findings.length(length, 0) for name, length in LENGTHS.items()}
        said |= {"differ": findings.length(self._differ), "in_feet": self._in_feet}
        said |= {
            "unread": self._unread,
            "kept": listed(self._kept, most=NAMED),
            "stated": self._stated,
        }
        for rule, names in self._files.items():
            severity, text = TEXTS[rule]
            held = " to ".join(f"{value:g}" for value in self._held.get(rule, ()))
            text = text.format(**said, held=held)
            index = np.unique(np.concatenate(self._points[rule]))
            findings.add(
                severity,
                rule,
                f"{text} ({len(index)} stations concerned)",
                layer="dem",
                feature=listed(names, most=NAMED),
                geometry=box_around(self._xy[index]),
            )
        for crs, names in self._moved.values():
            tell_accuracy(
                "dem", crs, self._crs, self._xy, findings, feature=listed(names, most=NAMED)
            )


def _hint(raster: Raster) -> str:
    """Return a word of caution where a raster's coordinates are not in metres nor degrees."""
    axis = raster.crs.axis_info[0]
    if not raster.crs.is_projected or axis.unit_conversion_factor == 1.0:
        return ""
    return f"the coordinates of {raster.name} are in {axis.unit_name}, so its levels may be too; "


def box_around(xy: FloatArray) -> Any:
    """Return the box around points; a point where all are one."""
    west, south = xy.min(axis=0)
    east, north = xy.max(axis=0)
    if west == east and south == north:
        return shapely.Point(west, south)
    if west == east or south == north:
        return shapely.LineString([(west, south), (east, north)])
    return shapely.box(west, south, east, north)
