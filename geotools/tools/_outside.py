"""Pits whose ground lies on carriageway that none of their closures takes: findings."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from shapely.ops import substring

from geotools.network.ragged import FloatArray, IntArray, to_linestrings
from geotools.schema import quantity_text
from geotools.street.beside import Outlines, spans_beside, turned_between
from geotools.street.lanes import LEAST_LANE_SHARE, TOUCH, lanes_between
from geotools.street.net import StreetNet
from geotools.tools._shared import Shared

__all__ = ["report_outside"]

Polygons = npt.NDArray[np.object_]
LEAST_M2 = 0.01  # of carriageway that count as stood on
MITRE = 2.0  # times its half, how far a carriageway goes out at a corner, as closures do
DRAWN = 1e-3  # m
FOLDED = 2.0  # ``2 tan(t/2)`` of a right angle: closures round more of a turn may fold over


def report_outside(pits: pd.DataFrame, closures: pd.DataFrame, ground: Shared) -> None:
    """Report pits that stand on their street, or one of its name, outside their closures.

    A street is closed along one chain of centrelines, with the lanes it has by the pit's place:
    the pit may go on round a corner, where another chain of that name begins, or to where the
    street is wider.
    """
    pits = pits[pits["street_chain"].to_numpy() >= 0]
    if ground.scene is None or not len(pits):
        return
    net, gap = ground.scene.net, ground.brief.street.lateral_gap
    shapes: Polygons = pits["ground"].to_numpy(dtype=object)
    names = pits["pit_id"].to_numpy(dtype=object)
    own = closures[closures["pull_id"] == ""].groupby("pit_id")["geometry"].agg(list).to_dict()
    area = np.zeros(len(pits))
    for pit, chain in zip(*(rows.tolist() for rows in _doubtful(pits, net, gap)), strict=True):
        closed = shapely.union_all(own.get(names[pit], []))
        for road, narrowed in _carriageways(net, chain, shapes[pit], gap):
            open_ = shapely.difference(road, shapely.buffer(closed, narrowed, join_style="mitre"))
            area[pit] += float(shapely.area(shapely.intersection(shapes[pit], open_)))
    _tell(pits, area, ground)


def _tell(pits: pd.DataFrame, area: FloatArray, ground: Shared) -> None:
    """Add the findings on pits that so much of stands in open lanes, m2."""
    findings, told = ground.layers.findings, np.flatnonzero(area > LEAST_M2)
    rows = pits.iloc[told]
    names = rows["pit_id"].to_numpy(dtype=object)
    findings.add_points(
        "warning",
        "pit-outside-closures",
        [
            f"pit {name} stands on {street or 'a street without a name'} with "
            f"{quantity_text(max(one, 0.1), 'area', findings.system)} more than its closures take, "
            "round a corner or where the street is wider: no lane is closed or priced for that; "
            "plan the traffic there by hand, or move the pit."
            for name, street, one in zip(
                names, rows["street_name"].astype(object), area[told], strict=True
            )
        ],
        layer="pits",
        features=names,
        xy=rows[["x", "y"]].to_numpy(dtype=float),
    )


def _doubtful(pits: pd.DataFrame, net: StreetNet, gap: float) -> tuple[IntArray, IntArray]:
    """Return pits, and the chains they may stand on outside their closures."""
    chain, at = pits["street_chain"].to_numpy(dtype=np.int64), pits["street_at"].to_numpy(float)
    shapes: Polygons = pits["ground"].to_numpy(dtype=object)
    far = shapely.minimum_bounding_radius(shapes) * 2 + np.abs(pits["street_offset"].to_numpy())
    along, across = spans_beside(net, chain, at, 2 * far, Outlines.of(shapes))
    width, count = (pits[f"street_{name}"].to_numpy(dtype=float) for name in ("width", "lanes"))
    due = lanes_between(across[:, 0] - gap, across[:, 1] + gap, width, count.astype(np.int64))
    other = [net.column("width")[net.line_at(chain, edge)] != width for edge in along.T]
    folded = turned_between(net, chain, at - far, at + far) > FOLDED
    doubt = (due > pits["lanes_taken"].to_numpy()) | other[0] | other[1] | folded
    own = np.flatnonzero(doubt)
    row, beyond = _of_one_name(pits, shapes, net)
    return np.concatenate([own, row]), np.concatenate([chain[own], beyond])


def _of_one_name(pits: pd.DataFrame, shapes: Polygons, net: StreetNet) -> tuple[IntArray, IntArray]:
    """Return pits, and other chains so near that bear the name of their street there."""
    streets = to_linestrings(net.chains.xy, net.chains.offsets)
    most = float(net.table["width"].max()) / 2
    around = shapely.bounds(shapes) + np.array([-most, -most, most, most])
    row, chain = shapely.STRtree(streets).query(shapely.box(*around.T))
    other = pits["street_chain"].to_numpy(dtype=np.int64)[row] != chain
    row, chain = row[other], chain[other]
    near = shapely.dwithin(streets[chain], shapes[row], most)
    row, chain = row[near], chain[near]
    spot = shapely.get_point(shapely.shortest_line(streets[chain], shapes[row]), 0)
    there = net.line_at(chain, shapely.line_locate_point(streets[chain], spot))
    alike = net.column("name")[there] == pits["street_name"].to_numpy(dtype=object)[row]
    return row[alike], chain[alike]


def _carriageways(
    net: StreetNet, chain: int, ground: Any, gap: float
) -> Iterator[tuple[Any, float]]:
    """Yield the carriageways along a chain by a ground, line by line, and how far lanes give way.

    A lane kept open past a pit may be narrowed, from the kerb as well as from the pit.
    """
    line = to_linestrings(*_vertices(net, chain))[0]
    pieces = net.chains.pieces[net.chains.pieces["run"] == chain]
    starts = pieces["start"].to_numpy(dtype=float).tolist()
    for low, high, row in zip(
        starts, [*starts[1:], float(net.lengths[chain])], pieces["line"].tolist(), strict=True
    ):
        width, lanes = (float(net.column(name)[row]) for name in ("width", "lanes"))
        part = substring(line, low, high)
        if shapely.distance(part, ground) < width / 2:
            each = (1 - LEAST_LANE_SHARE) * width / max(lanes, 1.0)
            narrowed = max(np.ceil(lanes / 2) * each - gap, 0.0) + TOUCH
            half = max(width / 2 - narrowed, DRAWN)
            road = shapely.buffer(
                part, half, cap_style="flat", join_style="mitre", mitre_limit=MITRE
            )
            yield road, narrowed + DRAWN


def _vertices(net: StreetNet, chain: int) -> tuple[FloatArray, IntArray]:
    """Return the vertices of a chain, and their offsets."""
    first, last = net.chains.offsets[chain : chain + 2]
    return net.chains.xy[first:last], np.array([0, last - first])
