"""What the ground of a pit meets: intersections, places to avoid, land off the street."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from geotools.accel import in_threads, ready_tree
from geotools.intake.columns import Areas
from geotools.intake.findings import Findings
from geotools.intake.pieces import Pieces
from geotools.network.cells import Points
from geotools.network.ragged import FloatArray, number_within
from geotools.siting.grounds import Grounds
from geotools.siting.refusals import APART
from geotools.street.scene import StreetGround

__all__ = [
    "Avoid",
    "avoid_tree",
    "avoided",
    "hard_places",
    "near_crossings",
    "nearest_gap",
    "off_street_area",
    "report_soft",
    "soft_places",
]

BoolTable = npt.NDArray[np.bool_]
Polygons = npt.NDArray[np.object_]


def near_crossings(ground: Grounds, crossings: Points | None, clear: float) -> BoolTable:
    """Return which grounds come within a distance of the middle of an intersection."""
    if crossings is None or not len(crossings.xy) or clear <= 0:
        return np.zeros(ground.bent.shape, dtype=bool)
    return ground.near_points(crossings, clear)


def nearest_gap(xy: FloatArray, crossings: Points | None) -> FloatArray:
    """Return the distance of places to the nearest intersection, m; NaN where none is known."""
    if crossings is None or not len(crossings.xy):
        return np.full(len(xy), np.nan)
    return crossings.gap(xy)


def _hard(avoid: Areas) -> npt.NDArray[np.bool_]:
    """Return which places are hard; what is not said counts as hard, the safe side."""
    return np.asarray(avoid.table["hard"].to_numpy(dtype=float) != 0.0)


def hard_places(avoid: Areas | None) -> Pieces:
    """Return the hard places with their buffers, in pieces."""
    if avoid is None or not len(avoid):
        return Pieces.none()
    return avoid.in_pieces.only(_hard(avoid))


def soft_places(avoid: Areas | None) -> Pieces:
    """Return the soft places with their buffers, in pieces."""
    if avoid is None or not len(avoid):
        return Pieces.none()
    return avoid.in_pieces.only(~_hard(avoid))


@dataclass(frozen=True)
class Avoid:
    """Places to avoid with their buffers, the pieces of all in a tree.

    ``of`` is the place of each piece; hard or soft, weight and reason are those of the places.
    """

    tree: shapely.STRtree
    of: npt.NDArray[np.int64]
    hard: npt.NDArray[np.bool_]
    weight: FloatArray
    reason: npt.NDArray[np.object_]


def avoid_tree(avoid: Areas | None, *, unsaid: float) -> Avoid | None:
    """Return the places to avoid as `avoided` takes them; None where there are none.

    ``unsaid`` is the factor on the site cost in a soft place that gives no weight.
    """
    if avoid is None or not len(avoid):
        return None
    weight = avoid.table["weight"].to_numpy(dtype=float)
    return Avoid(
        ready_tree(avoid.in_pieces.shapes),
        avoid.in_pieces.of,
        _hard(avoid),
        np.where(np.isfinite(weight), np.maximum(weight, 1.0), unsaid),
        avoid.table["reason"].fillna("").astype(str).to_numpy(dtype=object),
    )


def avoided(
    ground: Grounds, avoid: Avoid | None, *, setback: float = 0.0
) -> tuple[BoolTable, FloatArray, Polygons]:
    """Return where hard places are hit, the cost factor of soft ones, and what was hit.

    A place within the set-back, m, of the edge counts as hit. Of several all reasons are told, in
    their order and as of `refusals.APART`: the order of the layer says nothing.
    """
    table = ground.bent.shape
    hit, factor, named = np.zeros(table, dtype=bool), np.ones(table), np.full(table, "", object)
    if avoid is None:
        return hit, factor, named
    row, role, piece = ground.near_places(avoid.tree, setback)
    place = avoid.of[piece]
    hard = avoid.hard[place]
    hit[row[hard], role[hard]] = True
    np.maximum.at(factor, (row[~hard], role[~hard]), avoid.weight[place[~hard]])
    row, role, reason = row[hard], role[hard], avoid.reason[place[hard]].astype(str)
    # Written from the last to the first, so that the first reason gives the name.
    last = np.lexsort([reason, reason == ""])[::-1]
    named[row[last], role[last]] = reason[last]
    several = reason != named[row, role]
    _name_all(named, row[several], role[several], reason[several])
    return hit, factor, named


def report_soft(
    pits: pd.DataFrame, avoid: Avoid | None, setback: float, findings: Findings
) -> None:
    """Report, a finding a pit, the soft places it lies in, within the set-back, m, of its edge.

    ``pits`` has ``pit_id``, ``x``, ``y`` and ``ground``.
    """
    if avoid is None or not len(pits):
        return
    grounds = pits["ground"].to_numpy(dtype=object)
    pit, piece = avoid.tree.query(grounds, predicate="dwithin", distance=setback)
    place = avoid.of[piece]
    soft = ~avoid.hard[place]
    met = pd.DataFrame({"pit": pit, "weight": avoid.weight[place], "name": avoid.reason[place]})
    of_pit = met[soft].groupby("pit").agg(weight=("weight", "max"), names=("name", set))
    rows = of_pit.index.to_numpy(dtype=np.int64)
    pit_id = pits["pit_id"].to_numpy(dtype=object)[rows]
    findings.add_points(
        "info",
        "pit-in-soft-place",
        [
            f"pit {pit} lies in a place better left free{_called(names)}{_dearer(weight)}: agree "
            "it, or move the pit (pit_edits)."
            for pit, weight, names in zip(pit_id, of_pit["weight"], of_pit["names"], strict=True)
        ],
        layer="pits",
        features=pit_id,
        xy=pits[["x", "y"]].to_numpy(dtype=float)[rows],
    )


def _called(names: set[str]) -> str:
    told = ", ".join(sorted(names - {""}))
    return f" ({told})" if told else ""


def _dearer(weight: float) -> str:
    return f", which makes its site cost {weight:g} times as much" if weight > 1.0 else ""


def _name_all(
    named: Polygons, row: npt.NDArray[np.int64], role: npt.NDArray[np.int64], reason: Polygons
) -> None:
    """Add to the names of places that are hit those of others hit there too, each once."""
    rest = zip(row.tolist(), role.tolist(), (str(one) for one in reason), strict=True)
    for at_row, at_role, other in sorted(set(rest), key=lambda one: (one[2] == "", one[2])):
        named[at_row, at_role] += APART + (other or "unnamed")


def _covered(owner: npt.NDArray[np.int64], parts: Polygons, count: int) -> FloatArray:
    """Return the ground the parts of each owner cover together, m2."""
    order = np.argsort(owner, kind="stable")
    owner, parts = owner[order], parts[order]
    many = np.bincount(owner, minlength=count)
    covered = np.bincount(owner, shapely.area(parts), minlength=count)
    # Where streets overlap, at corners and side by side, ground counts once.
    several = np.flatnonzero(many > 1)
    if len(several):
        row = np.full(count, -1)
        row[several] = np.arange(len(several))
        table = np.full((len(several), int(many.max())), None, dtype=object)
        chosen = row[owner] >= 0
        table[row[owner[chosen]], number_within(owner)[chosen]] = parts[chosen]
        covered[several] = shapely.area(in_threads(partial(shapely.union_all, axis=1), table))
    return np.asarray(covered, dtype=np.float64)


def off_street_area(
    ground: Grounds,
    streets: StreetGround | None,
    area: FloatArray,
    chosen: BoolTable,
    on_street: npt.NDArray[np.bool_],
) -> FloatArray:
    """Return the ground each pit takes outside carriageway and verge, m2, shape (n, 4).

    Parameters
    ----------
    ground : Grounds
    streets : StreetGround, optional
    area : ndarray, shape (n, 4)
        Of the grounds, m2.
    chosen : ndarray of bool, shape (n, 4)
        Pits whose box leaves the main; the others lie along the street.
    on_street : ndarray of bool, shape (n,)
        Places that have a street; the ground of the others counts whole.
    """
    off = np.where(on_street[:, None], 0.0, area)
    rows, roles = np.nonzero(chosen & on_street[:, None])
    if not len(rows) or streets is None:
        return off
    shapes = ground.polygons(rows, roles)
    pit, street = streets.near(shapes)
    drawn = streets.polygons(street)
    inside = np.zeros(len(rows), dtype=bool)
    inside[pit[shapely.covers(drawn, shapes[pit])]] = True
    open_ = ~inside[pit]
    pit, drawn = pit[open_], drawn[open_]
    parts = in_threads(shapely.intersection, shapes[pit], drawn)
    on = _covered(pit, parts, len(rows))
    off[rows, roles] = np.where(inside, 0.0, np.maximum(shapely.area(shapes) - on, 0.0))
    return off
