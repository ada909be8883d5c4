"""The mains: chosen CRS, unique identifiers, repaired lines, duplicates set aside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely

from geotools.errors import LayerError
from geotools.intake.among import among
from geotools.intake.columns import Lines
from geotools.intake.crs import (
    WorkingCRS,
    choose_working_crs,
    crs_name,
    full_turn,
    horizontal,
    project,
    scale_shares,
    truer_crs,
)
from geotools.intake.datum import tell_accuracy
from geotools.intake.duplicates import duplicate_groups
from geotools.intake.findings import Findings
from geotools.intake.identity import renamed_ids, unique_ids
from geotools.intake.lines import Parts, clean_lines, keep_parts, line_parts, self_crossings
from geotools.intake.load import Loaded
from geotools.intake.notes import Note, emit, note
from geotools.intake.places import COORDINATE_LIMIT, line_places, sane, sane_lines
from geotools.intake.ragged import line_lengths
from geotools.pipe.factors import FOOT
from geotools.schema import quantity_text

__all__ = ["Mains", "bad_coordinates", "build_mains"]

IntArray = npt.NDArray[np.int64]
COUNTED = ("breaks", "leakage")  # of a main as a whole; its other numbers hold all along it
NEAR_ZERO = 2.0  # m; a main with one end this near to a level of 0 may well have the other at it
# m; a main farther than this from the middle of all, and so many times as far as three quarters of
# them lie, has a slip in its coordinates, unless more than one in so many lies there. Judgement.
FAR_OFF, FAR_TIMES, FEW = 50_000.0, 10.0, 10


@dataclass(frozen=True)
class Mains:
    """The mains in the working CRS, and how many features of the source they come from.

    ``renamed`` as of `renamed_ids`, ``aside`` as of `Layers`.
    """

    lines: Lines
    working: WorkingCRS
    used: int
    renamed: Mapping[str, str]
    aside: pd.DataFrame


def build_mains(
    loaded: Loaded,
    findings: Findings,
    *,
    working_crs: str | None,
    excluded: Sequence[str],
    owners: Sequence[str] = (),
    known: Mapping[str, str] | None = None,
    in_part: bool = False,
) -> Mains:
    """Repair the mains and move them to the CRS lengths are taken in.

    Parameters
    ----------
    loaded : Loaded
        The layer as read.
    findings : Findings
        Every repair goes here.
    working_crs : str or None
        The brief's choice.
    excluded, owners : sequence of str
        Statuses and owners not lined; of two mains drawn on each other the other one stays.
    known : mapping, optional
        As of `unique_ids`.
    in_part : bool
        These are a part of the mains, and ``working_crs`` is what was chosen for all of them.

    Raises
    ------
    LayerError
        If no main is left, or CRS and coordinates do not belong together.
    """
    label = loaded.source.label
    if not len(loaded.table):
        raise LayerError(label, "holds no features; give a layer that holds the mains")
    ids = loaded.table["main_id"].to_numpy(dtype=object)
    names, notes = unique_ids(ids, loaded.fids, loaded.geometry, known=known)
    drawn, more = line_parts(loaded.geometry, loaded.rows, turn=full_turn(loaded.crs))
    loaded, zero = _without_zero_inverts(loaded)
    notes = [*loaded.notes, *zero, *notes, *more]
    working = _working(loaded, drawn, working_crs, findings, in_part=in_part)
    moved = replace(drawn, xy=project(drawn.xy, loaded.crs, working.crs))
    good = sane_lines(moved)
    notes += bad_coordinates(moved, good)
    if not good.any():
        raise LayerError(label, _none_good(drawn, moved, names, findings))
    parts, more = clean_lines(keep_parts(moved, np.flatnonzero(good)))
    table = _table(loaded, names, parts)
    notes += [*more, *_inverts_dropped(loaded, parts), *self_crossings(parts)]
    notes += _far_off(parts, findings)
    parts, table, more = _without_duplicates(parts, table, findings, excluded, owners)
    if not len(parts):
        raise LayerError(label, "holds no main with a length; check the geometries")
    _share_out(table, parts)
    notes += more
    emit(findings, "mains", notes, names=names, places=partial(line_places, moved))
    _tell_system(loaded, working, parts, findings)
    lines, count = Lines(table, parts.xy, parts.offsets), len(np.unique(parts.row))
    aside = _set_aside(names, notes, parts)
    return Mains(lines, working, count, renamed_ids(ids, loaded.fids, names), aside)


def _set_aside(names: npt.NDArray[Any], notes: Sequence[Note], parts: Parts) -> pd.DataFrame:
    """Return the features of which nothing is left, each with what was noted of it last."""
    gone = np.ones(len(names), dtype=bool)
    gone[parts.row] = False
    why = np.full(len(names), "set aside; see findings", dtype=object)
    for item in notes:
        if item.every and len(item.texts) == len(item.rows):
            why[item.rows] = item.texts
    return pd.DataFrame({"main_id": names[gone].astype(object), "reason": why[gone]})


def _tell_system(loaded: Loaded, working: WorkingCRS, parts: Parts, findings: Findings) -> None:
    """Tell what the CRS in use means for places and heights of the mains."""
    _tell_crs(findings, working)
    _tell_scale(findings, working.crs, parts)
    tell_accuracy("mains", loaded.crs, working.crs, parts.xy, findings)
    _tell_heights(findings, loaded)


def bad_coordinates(parts: Parts, good: npt.NDArray[np.bool_]) -> list[Note]:
    """Note features that have a coordinate which is no number or not on the earth."""
    return note(
        "warning",
        "bad-coordinates",
        np.unique(parts.row[~good]),
        "has a coordinate that is not a number, is off the map, cannot be moved to the working "
        "CRS or makes the line too long to be one; set aside; correct its vertices",
        every=True,
    )


def _far_off(parts: Parts, findings: Findings) -> list[Note]:
    """Note the few mains that lie far from all others, as those at null island do."""
    if not len(parts):
        return []
    middle = np.median(parts.xy, axis=0)
    away = np.abs(parts.xy - middle).max(axis=1)
    nearest_by = np.minimum.reduceat(away, parts.offsets[:-1])
    limit = max(FAR_OFF, FAR_TIMES * float(np.percentile(away, 75)))
    far = np.flatnonzero(nearest_by > limit)
    if len(far) > max(1, len(parts) // FEW):
        return []  # a place of its own, and no slip
    return note(
        "warning",
        "far-main",
        parts.row[far],
        [
            f"lies {findings.length(d, 0)} from the middle of the mains, far from nearly all of "
            "them; planned as it is; check its coordinates, or delete it"
            for d in nearest_by[far]
        ],
        every=True,
    )


def _working(
    loaded: Loaded, drawn: Parts, wanted: str | None, findings: Findings, *, in_part: bool
) -> WorkingCRS:
    """Choose the working CRS; of a part of the mains it is that of all."""
    label, flat = loaded.source.label, horizontal(loaded.crs)
    finite = np.isfinite(drawn.xy).all(axis=1)
    if flat.is_geographic:
        finite &= (np.abs(drawn.xy) <= (360.0, 90.0)).all(axis=1)
        if len(drawn) and not finite.any():
            raise LayerError(label, _nothing_left(drawn, findings))
    else:
        finite &= sane(drawn.xy)
    xy = drawn.xy[finite]
    if not len(xy):
        raise LayerError(label, _nothing_left(drawn, findings))
    if flat.is_projected and _looks_like_degrees(drawn):
        raise LayerError(
            label,
            f"the coordinates ({xy[0, 0]:.4f}, {xy[0, 1]:.4f}, ...) look like degrees but "
            f"{crs_name(flat)} is in {flat.axis_info[0].unit_name}; the CRS, its unit or the "
            "order of the axes is likely wrong; set the right CRS in the file",
        )
    working = choose_working_crs(label, loaded.crs, xy, wanted)
    return _of_all(working, loaded) if in_part else working


def _of_all(working: WorkingCRS, loaded: Loaded) -> WorkingCRS:
    """Return the working CRS of a part of the mains, with the reason why it is that."""
    moved_to = horizontal(loaded.crs) != working.crs
    return replace(working, reason="those of all mains are" if moved_to else "")


def _looks_like_degrees(drawn: Parts) -> bool:
    """All within the globe in degrees, and no main as long as one unit."""
    lowest = np.minimum.reduceat(drawn.xy, drawn.offsets[:-1])
    highest = np.maximum.reduceat(drawn.xy, drawn.offsets[:-1])
    with np.errstate(invalid="ignore"):
        inside = (np.abs(drawn.xy) <= (180.0, 90.0)) | ~np.isfinite(drawn.xy)
        short = (highest - lowest < 1.0) | ~np.isfinite(highest - lowest)
    return bool(inside.all() and short.all())


def _nothing_left(drawn: Parts, findings: Findings) -> str:
    if not len(drawn):
        return "holds no feature with a line; check the geometries"
    x, y = drawn.xy[0]
    return (
        f"no feature has usable coordinates (the first are {x:.6g}, {y:.6g}): not numbers, beyond "
        f"{findings.length(COORDINATE_LIMIT, 0)}, or outside the CRS; the CRS, its unit or the "
        "order of the axes is likely wrong; set the right CRS in the file"
    )


def _none_good(drawn: Parts, moved: Parts, names: npt.NDArray[Any], findings: Findings) -> str:
    """Say why no main can be used, by the first vertex that is bad where others are good."""
    bad = ~sane(moved.xy)
    if bad.all() or not bad.any():
        return _nothing_left(drawn, findings)
    first = int(np.argmax(bad))
    (x, y), part = drawn.xy[first], int(np.searchsorted(drawn.offsets, first, "right")) - 1
    count = len(np.unique(drawn.row))
    which = "the one feature has" if count == 1 else f"each of the {count} features has"
    return (
        f"{which} a coordinate that is not a number, is beyond "
        f"{findings.length(COORDINATE_LIMIT, 0)} or cannot be moved to the working CRS; the first "
        f"is in {names[drawn.row[part]]} ({x:.6g}, {y:.6g}); correct its vertices"
    )


def _table(loaded: Loaded, names: npt.NDArray[Any], parts: Parts) -> pd.DataFrame:
    table = loaded.table.iloc[parts.row].reset_index(drop=True)
    ids = names[parts.row]
    split = np.flatnonzero(parts.part > 0)
    ids[split] = [f"{i}/{n}" for i, n in zip(ids[split], parts.part[split], strict=True)]
    table["main_id"] = ids
    table["feature"] = ids
    table["source_id"] = names[parts.row]  # one for all parts of a feature
    table.loc[~parts.directed, ["invert_start", "invert_end"]] = np.nan
    return table


def _share_out(table: pd.DataFrame, parts: Parts) -> None:
    """Give every part of a feature its share, by length, of what was counted on the whole."""
    length = line_lengths(parts.xy, parts.offsets)
    whole = np.bincount(parts.row, weights=length)[parts.row]
    share = np.divide(length, whole, out=np.ones(len(length)), where=whole > 0)
    for name in COUNTED:
        table[name] = table[name].to_numpy(dtype=float) * share


def _without_zero_inverts(loaded: Loaded) -> tuple[Loaded, list[Note]]:
    """Take two inverts of exactly 0 as missing: no main lies so, and so do files without them.

    One of them may be true, near the sea: it is used, and told unless the other is about as low.
    """
    ends = ["invert_start", "invert_end"]
    levels = loaded.table[ends].to_numpy(dtype=float)
    zero = (levels == 0.0).all(axis=1)
    notes = note(
        "warning",
        "zero-value",
        np.flatnonzero(zero),
        "both inverts are 0, as where none is on record; taken as missing; leave them empty where "
        "they are not known",
    )
    one = (levels == 0.0).any(axis=1) & (np.abs(levels).max(axis=1) > NEAR_ZERO)
    notes += note(
        "warning",
        "zero-value",
        np.flatnonzero(one),
        "one invert is 0 and the other is not near it; both are used; leave the one empty if it is "
        "not known",
    )
    if not zero.any():
        return loaded, notes
    table = loaded.table.copy()
    table.loc[zero, ends] = np.nan
    return replace(loaded, table=table), notes


def _inverts_dropped(loaded: Loaded, parts: Parts) -> list[Note]:
    rows = np.unique(parts.row[~parts.directed])
    levels = loaded.table[["invert_start", "invert_end"]].to_numpy()
    return note(
        "warning",
        "invert-dropped",
        rows[~np.isnan(levels[rows]).all(axis=1)],
        "its invert levels could not be given to the ends of its parts and were dropped; draw it "
        "as one line",
    )


def _without_duplicates(
    parts: Parts,
    table: pd.DataFrame,
    findings: Findings,
    excluded: Sequence[str],
    owners: Sequence[str],
) -> tuple[Parts, pd.DataFrame, list[Note]]:
    """Keep one of the mains drawn on each other, each of the others a note.

    The one in use, of an owner whose mains are lined, and the largest: if one of them is large
    enough to be lined, it is. Of two as large the one with the fullest record.
    """
    group = duplicate_groups(parts)
    member = np.flatnonzero(np.bincount(group, minlength=len(parts))[group] > 1)
    if not len(member):
        return parts, table, []
    some = table.iloc[member]
    status = among(some["status"], excluded)
    owner = among(some["owner"], owners) & (some["owner"].fillna("") != "").to_numpy()
    blank = (some.isna() | (some == "")).sum(axis=1)
    order = np.lexsort(
        (
            some["main_id"].to_numpy(dtype=str),
            blank.to_numpy(),
            -some["diameter"].fillna(0.0).to_numpy(dtype=float),
            owner,
            status,
            group[member],
        )
    )
    ordered = member[order]
    _, first, inverse = np.unique(group[ordered], return_index=True, return_inverse=True)
    keeper = ordered[first][inverse]
    lost = ordered != keeper
    size = line_lengths(parts.xy, parts.offsets)
    twins = zip(ordered[lost], keeper[lost], strict=True)
    notes = note(
        "warning",
        "duplicate-main",
        parts.row[ordered[lost]],
        [_twin_text(table, a, b, size[a], findings) for a, b in twins],
        every=True,
    )
    left = np.setdiff1d(np.arange(len(parts)), ordered[lost])
    return keep_parts(parts, left), table.iloc[left].reset_index(drop=True), notes


def _twin_text(table: pd.DataFrame, lost: int, kept: int, length: float, findings: Findings) -> str:
    """Say which of two mains with the same vertices is kept, and what of the other goes."""
    one, other = table.iloc[lost], table.iloc[kept]
    text = f"{one['main_id']} has the same vertices as {other['main_id']}, which was kept"
    differ = [
        name
        for name in ("diameter", "material", "status", "owner")
        if one[name] != other[name] and not (pd.isna(one[name]) and pd.isna(other[name]))
    ]
    if "diameter" in differ:
        kept_size, lost_size = (
            "not known" if pd.isna(d) else quantity_text(d, "bore", findings.system, 0)
            for d in (other["diameter"], one["diameter"])
        )
        text += f" with its diameter, {kept_size}, not {lost_size}"
    records = f" (their records differ in {', '.join(differ)})" if differ else ""
    return (
        f"{text}; set aside, {findings.length(length)}{records}; delete the one that is not there"
    )


def _tell_crs(findings: Findings, working: WorkingCRS) -> None:
    if working.reason:
        text = f"lengths are taken in {crs_name(working.crs)}, because {working.reason}"
        findings.add("info", "working-crs", text, layer="mains")
    for text in working.warnings:
        findings.add("warning", "doubtful-crs", text, layer="mains")


def _tell_scale(findings: Findings, crs: pyproj.CRS, parts: Parts) -> None:
    """Tell how much longer or shorter mains are on the ground than in the CRS."""
    shares = scale_shares(crs, parts.xy)
    if shares is None:
        return
    low, high = shares
    length = 1000.0 * (1.0 if findings.system == "si" else FOOT)
    most = high if high > -low else low
    way = "longer or shorter, by where they lie and run,"
    if abs(low + high) > high - low:  # of one sign
        way = "longer" if most > 0 else "shorter"
    truer = truer_crs(crs, parts.xy)
    other = truer or "one true to scale here"
    findings.add(
        "info",
        "scale-differs",
        f"{findings.length(length, 0)} of main in {crs_name(crs)}, in which lengths are taken, are "
        f"up to {findings.length(length * abs(most))} ({abs(most):.2%}) {way} on the ground: order "
        f"pipe with that in mind, or set network.working_crs to {other}",
        layer="mains",
    )


def _tell_heights(findings: Findings, loaded: Loaded) -> None:
    count = int(np.count_nonzero(shapely.has_z(loaded.geometry[loaded.rows])))
    if count:
        text = (
            f"{count} of {len(loaded.table)} mains carry a height in their vertices; it was not "
            "used: levels come from the invert and cover fields"
        )
        findings.add("info", "z-ignored", text, layer="mains")
