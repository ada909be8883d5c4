"""Every layer but the mains: moved to the working CRS, repaired, in its columns of arrays."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely

from geotools.intake.alignment import ask_of_shift
from geotools.intake.areas import move_areas, repair_areas
from geotools.intake.columns import Areas, Lines, Points
from geotools.intake.crs import crs_name, full_turn, project
from geotools.intake.datum import tell_accuracy
from geotools.intake.doubled import joined_ways, without_doubles
from geotools.intake.findings import Findings
from geotools.intake.kinds import SET_ASIDE, UNPLACED_TEXT, is_of_use_unplaced
from geotools.intake.lines import clean_lines, keep_parts, line_parts
from geotools.intake.load import Loaded
from geotools.intake.mains import bad_coordinates
from geotools.intake.notes import Note, emit, note
from geotools.intake.places import (
    area_places,
    line_places,
    sane,
    sane_lines,
    spot_places,
)
from geotools.intake.points import Spots, ends_at_main, holds_point, point_parts
from geotools.schema import AREA, POINT

__all__ = ["Built", "build_layer"]

IntArray = npt.NDArray[np.int64]
FloatArray = npt.NDArray[np.float64]
FAR = 1000.0  # m; a layer whose extent is farther from the mains than this is likely misplaced
OFF_MAP = "has a coordinate that is not a number or is off the map; set aside; correct its vertices"
OPPOSITE = (
    "streets that are one way each, against each other on the same vertices, were joined two by "
    "two to {count:,} of both ways; their lanes and widths are added up where both are known"
)


@dataclass(frozen=True)
class Built:
    """A layer in the working CRS, and how many features of the source it comes from."""

    data: Lines | Points | Areas
    used: int


def build_layer(loaded: Loaded, mains: Lines, working: pyproj.CRS, findings: Findings) -> Built:
    """Move one layer to the working CRS and repair it; every repair goes to the findings."""
    kinds = set(loaded.layer.geometry)
    builder: Callable[[Loaded, Lines, pyproj.CRS, Findings], Built]
    if kinds & set(AREA):
        builder = _areas
    elif kinds & set(POINT):
        builder = _points
    else:
        builder = _lines
    built = builder(loaded, mains, working, findings)
    name = loaded.layer.name
    if loaded.empty:
        text = "holds no features; taken as given and empty; leave it out if there is no data"
        findings.add("warning", "empty-layer", text, layer=name)
    elif not built.used and loaded.whole and not loaded.left_out:
        findings.add("warning", "nothing-usable", _nothing_left(loaded), layer=name)
    if built.used:
        tell_accuracy(name, loaded.crs, working, mains.xy, findings)
    _check_overlap(name, built.data, mains, findings)
    if name == "streets" and isinstance(built.data, Lines) and len(built.data):
        ask_of_shift(built.data, mains, findings)
    return built


def _nothing_left(loaded: Loaded) -> str:
    """Say that every feature of a layer was set aside."""
    cause = (
        "the file states no CRS and was taken to be in "
        f"{crs_name(loaded.crs)}: state it in the brief under "
        f'[inputs.{loaded.layer.name}] with crs = "EPSG:code"'
        if loaded.assumed
        else "why stands in the findings on them; check its CRS first"
    )
    return (
        f"none of its {len(loaded.table):,} features could be used, so that the plan is made as if "
        f"the layer were empty; {cause}"
    )


def _lines(loaded: Loaded, mains: Lines, working: pyproj.CRS, findings: Findings) -> Built:
    parts, notes = line_parts(loaded.geometry, loaded.rows, turn=full_turn(loaded.crs))
    moved = replace(parts, xy=project(parts.xy, loaded.crs, working))
    good = sane_lines(moved)
    notes = [*loaded.notes, *notes, *bad_coordinates(moved, good)]
    parts, more = clean_lines(keep_parts(moved, np.flatnonzero(good)))
    once = without_doubles(parts, loaded.table, loaded.names)
    parts, table, differ = joined_ways(once, _table(loaded, once.parts.row))
    notes += [*more, *once.notes, *differ]
    _emit(loaded, findings, notes, partial(line_places, moved))
    if len(once.pairs):
        text = OPPOSITE.format(count=len(once.pairs))
        findings.add("info", "opposite-ways-joined", text, layer=loaded.layer.name)
    return Built(Lines(table, parts.xy, parts.offsets), len(np.unique(once.parts.row)))


def _points(loaded: Loaded, mains: Lines, working: pyproj.CRS, findings: Findings) -> Built:
    shapes = loaded.geometry[loaded.rows]
    is_line = np.isin(shapely.get_dimensions(shapes), (1,)) & ~holds_point(shapes)
    spots, notes = point_parts(loaded.geometry, loaded.rows[~is_line])
    moved = replace(spots, xy=project(spots.xy, loaded.crs, working))
    if is_line.any():
        ends, more = _ends(loaded, loaded.rows[is_line], mains, working)
        notes += more
        moved = _both(moved, ends)
    good = sane(moved.xy)
    bad = np.unique(moved.row[~good])
    unplaced = is_of_use_unplaced(loaded.layer)
    off_map = OFF_MAP.replace(SET_ASIDE, UNPLACED_TEXT) if unplaced else OFF_MAP
    notes += note("warning", "bad-coordinates", bad, off_map, every=True)
    places = partial(spot_places, moved)
    _emit(loaded, findings, [*loaded.notes, *notes], places)
    if unplaced:
        moved = _with_unplaced(moved, good, len(loaded.table))
        good = np.ones(len(moved), dtype=bool)
    table, share = _table(loaded, moved.row[good]), moved.share[good]
    if "customers" in table:  # a feature of several points has its customers but once
        table["customers"] = table["customers"] * share
    if unplaced:  # and a record of several points is one
        table["share"] = share
    return Built(Points(table, moved.xy[good]), len(np.unique(moved.row[good])))


def _with_unplaced(spots: Spots, good: npt.NDArray[np.bool_], rows: int) -> Spots:
    """Return the spots that are good, and one without a place for every feature that has none."""
    kept = Spots(spots.xy[good], spots.row[good], spots.share[good])
    lost = np.setdiff1d(np.arange(rows), kept.row)
    return _both(kept, Spots(np.full((len(lost), 2), np.nan), lost, np.ones(len(lost))))


def _ends(
    loaded: Loaded, rows: IntArray, mains: Lines, working: pyproj.CRS
) -> tuple[Spots, list[Note]]:
    """Return the ends at the main of services drawn as lines; bad ones keep a bad vertex."""
    parts, notes = line_parts(loaded.geometry, rows, turn=full_turn(loaded.crs))
    notes = [n for n in notes if n.rule == "mixed-collection"]
    moved = replace(parts, xy=project(parts.xy, loaded.crs, working))
    good = sane_lines(moved)
    whole = keep_parts(moved, np.flatnonzero(good))
    ends, split = ends_at_main(whole, mains.xy, mains.offsets)
    lost = moved.row[~good]
    bad = Spots(np.full((len(lost), 2), np.nan), lost, np.ones(len(lost)))
    return _both(ends, bad), notes + split


def _both(a: Spots, b: Spots) -> Spots:
    row = np.concatenate([a.row, b.row])
    order = np.argsort(row, kind="stable")
    return Spots(
        np.concatenate([a.xy, b.xy])[order],
        row[order],
        np.concatenate([a.share, b.share])[order],
    )


def _areas(loaded: Loaded, mains: Lines, working: pyproj.CRS, findings: Findings) -> Built:
    moved = move_areas(loaded.geometry[loaded.rows], loaded.crs, working)
    coordinates, owner = shapely.get_coordinates(moved, return_index=True)
    good = np.ones(len(moved), dtype=bool)
    good[owner[~sane(coordinates)]] = False
    notes = note("warning", "bad-coordinates", loaded.rows[~good], OFF_MAP, every=True)
    geometry, rows, more = repair_areas(loaded.layer, moved[good], loaded.rows[good])
    places = partial(area_places, moved[good], loaded.rows[good])
    _emit(loaded, findings, [*loaded.notes, *notes, *more], places)
    return Built(Areas(_table(loaded, rows), geometry), len(rows))


def _table(loaded: Loaded, rows: IntArray) -> pd.DataFrame:
    table = loaded.table.iloc[rows].reset_index(drop=True)
    table["feature"] = loaded.names[rows]
    return table


def _emit(
    loaded: Loaded,
    findings: Findings,
    notes: list[Note],
    places: Callable[[IntArray], npt.NDArray[Any]],
) -> None:
    emit(findings, loaded.layer.name, notes, names=loaded.names, places=places)


def _check_overlap(
    name: str, data: Lines | Points | Areas, mains: Lines, findings: Findings
) -> None:
    """Warn of a layer that lies nowhere near the mains."""
    if not len(data):
        return
    if isinstance(data, Areas):
        box = shapely.box(*shapely.total_bounds(data.geometry))
    else:
        placed = data.xy[np.isfinite(data.xy).all(axis=1)]
        if not len(placed):
            return
        box = shapely.box(*placed.min(axis=0), *placed.max(axis=0))
    gap = shapely.distance(box, shapely.box(*mains.xy.min(axis=0), *mains.xy.max(axis=0)))
    if gap > FAR:
        findings.add(
            "warning",
            "no-overlap",
            f"does not overlap the mains: its extent is {findings.length(gap, 0)} from theirs; "
            "check its CRS, its unit and the order of its axes",
            layer=name,
            geometry=box,
        )
