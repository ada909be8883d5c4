"""Pulls and pits whose name is in two plans and means another pull or pit there.

Names count along the run, so what is taken out or put in renames all that lies behind it.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pyproj
import shapely

from geotools.comparing.matching import ends_of
from geotools.deliver.read_plan import PlanFile
from geotools.intake.crs import horizontal, project
from geotools.intake.findings import Findings
from geotools.lists import listed
from geotools.network.ragged import BoolArray, FloatArray

__all__ = ["tell_same_names"]

# m; the axis may be drawn anew from the same mains, and plans may be in two CRS.
_NEAR = 0.1
_FIELDS = {
    "pulls": ("pull_id", "run_id", "start", "end", "length", "direction"),
    "pits": ("pit_id", "run_id", "chainage", "role"),
}
_RISK = (
    "records, sheets and marks by the names of one plan do not hold for the other; hand out the "
    "joint schedule anew"
)


def tell_same_names(
    first: tuple[str, PlanFile],
    other: tuple[str, PlanFile],
    *,
    crs: pyproj.CRS,
    findings: Findings,
) -> None:
    """Tell which names of pulls and pits mean another place, direction or length in another plan.

    Parameters
    ----------
    first, other : tuple of str and PlanFile
        Plans and what they are called.
    crs : pyproj.CRS
        In which is measured, in m.
    findings : Findings
        Added to.
    """
    for layer in _FIELDS:
        one, two = (_things(file, layer, crs) for _, file in (first, other))
        both = one.index.intersection(two.index, sort=False)
        if not len(both):
            continue
        one, two = one.loc[both], two.loc[both]
        rows, names = np.flatnonzero(_differ(one, two)).tolist(), both.to_numpy(dtype=object)
        told = [[_told(layer, t.iloc[k], findings) for t in (one, two)] for k in rows]
        alike = [k for k, (a, b) in zip(rows, told, strict=True) if a == b]
        apart = _apart(one.iloc[alike], two.iloc[alike], (first[1], other[1]), crs, findings)
        added = dict(zip(alike, apart, strict=True))
        texts = [
            f"{names[k]} is {a}{x} in {first[0]}, {b}{y} in {other[0]}"
            for k, (a, b) in zip(rows, told, strict=True)
            for x, y in (added.get(k, ("", "")),)
        ]
        _tell(
            layer, (names[rows], one["geometry"].iloc[rows], texts), other[0], len(both), findings
        )


def _tell(
    layer: str, rows: tuple[Any, Any, list[str]], plan: str, count: int, findings: Findings
) -> None:
    """Add a warning for the layer, and a word on each of its features."""
    names, shapes, texts = rows
    if not texts:
        return
    findings.add(
        "warning",
        "same-name",
        f"{len(texts):,} of {count:,} {layer} that bear one name in both are other {layer} in "
        f"{plan}, such as: {texts[0]}; {_RISK}",
        layer=layer,
        feature=plan,
    )
    findings.add_many(
        "info",
        "same-name-elsewhere",
        texts,
        layer=layer,
        features=names,
        geometry=shapes.to_numpy(dtype=object),
    )


def _things(file: PlanFile, layer: str, crs: pyproj.CRS) -> pd.DataFrame:
    """Return pulls or pits by name, with where they begin and end, ``x0`` to ``y1``, m.

    A pull begins where the pipe goes in, whichever way its run is drawn.
    """
    table = file.table(layer, _FIELDS[layer])
    name = _FIELDS[layer][0]
    table = table[(table[name] != "") & ~table[name].duplicated()]
    shapes = shapely.force_2d(table.geometry.to_numpy())
    ends = [_xy(shapes, last) for last in (False, True)]
    if layer == "pulls":
        ahead = (table["direction"] == "ahead").to_numpy(dtype=bool)[:, None]
        ends = [np.where(ahead, ends[0], ends[1]), np.where(ahead, ends[1], ends[0])]
    source = horizontal(file.crs)
    xy = np.column_stack([project(end, source, crs) for end in ends])
    frame = pd.DataFrame(table).set_index(name)
    return frame.assign(**dict(zip(("x0", "y0", "x1", "y1"), xy.T, strict=True)))


def _xy(shapes: Any, last: bool) -> FloatArray:
    """Return the first or the last vertex of lines, or points as they are."""
    lines = shapely.get_type_id(shapes) == shapely.GeometryType.LINESTRING
    ends = np.where(lines, shapely.get_point(shapes, -1 if last else 0), shapes)
    return np.asarray(shapely.get_coordinates(ends), dtype=np.float64)


def _differ(one: pd.DataFrame, two: pd.DataFrame) -> BoolArray:
    """Tell which of two rows of one name are not one pull or pit."""
    a, b = (t[["x0", "y0", "x1", "y1"]].to_numpy(dtype=float) for t in (one, two))
    off = ~(np.abs(a - b) <= _NEAR).all(axis=1)  # also what has no place in the CRS
    if "length" in one:
        off |= (one["length"] - two["length"]).abs().to_numpy(dtype=float) > _NEAR
    if "role" in one:
        off |= (one["role"] != two["role"]).to_numpy(dtype=bool)
    return np.asarray(off)


def _told(layer: str, row: Any, findings: Findings) -> str:
    """Say where a pull or pit is, and which way it is pulled."""
    if layer == "pits":
        return f"{row['role'].replace('_', ' ')} at {findings.length(row['chainage'])}"
    span = f"{findings.length(row['start'])} to {findings.length(row['end'])}"
    return f"{span}, pulled {row['direction']}"


def _apart(
    one: pd.DataFrame,
    two: pd.DataFrame,
    files: tuple[PlanFile, PlanFile],
    crs: pyproj.CRS,
    findings: Findings,
) -> list[tuple[str, str]]:
    """Say what two pulls or pits that are told in the same words differ in, for each of the two."""
    if not len(one):
        return []
    a, b = (_runs(f, crs).reindex(t["run_id"]) for f, t in zip(files, (one, two), strict=True))
    mains = zip(*(runs["main_ids"].fillna("").map(_few) for runs in (a, b)), strict=True)
    start, end = ["x0", "y0"], ["x1", "y1"]
    kept = _far(a, start, b, start) + _far(a, end, b, end)
    turned = _far(a, start, b, end) + _far(a, end, b, start) < kept
    off = np.maximum(_far(one, start, two, start), _far(one, end, two, end))
    return [
        (f" on {x}", f" on {y}")
        if x != y
        else ("", f" on a run that begins at the other end, {findings.length(far)} away")
        if other_end
        else ("", f", {findings.length(far)} away")
        for (x, y), other_end, far in zip(mains, turned.tolist(), off.tolist(), strict=True)
    ]


def _runs(file: PlanFile, crs: pyproj.CRS) -> pd.DataFrame:
    """Return mains and ends of the runs by name, m."""
    runs = file.table("runs", ("run_id", "main_ids"))
    runs = runs[~runs["run_id"].duplicated()]
    lines = shapely.force_2d(runs.geometry.to_numpy(dtype=object))
    xy = [project(ends_of(lines, last), horizontal(file.crs), crs) for last in (False, True)]
    frame = pd.DataFrame(runs[["run_id", "main_ids"]]).set_index("run_id")
    return frame.assign(**dict(zip(("x0", "y0", "x1", "y1"), np.column_stack(xy).T, strict=True)))


def _few(main_ids: str) -> str:
    """Return the mains of a run in words, the first of many."""
    return f"mains {listed(main_ids.split(','), most=3)}"


def _far(one: pd.DataFrame, at: list[str], two: pd.DataFrame, there: list[str]) -> FloatArray:
    """Return how far places of two tables are apart, row by row."""
    gap = one[at].to_numpy(dtype=float) - two[there].to_numpy(dtype=float)
    return np.asarray(np.hypot(*gap.T))
